"""A site: its places, the kinds of device used there, and the levels, noise and rejection that follow.

Belongs here: how places and kinds come together. What a plan must keep follows in `demands`, what it
leaves over in `margins`. Interferers are taken at their strongest plausible, the wanted signal at its weakest
planned.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from apps.radio.chains import ReceivingChain, SendingChain, Stage
from apps.radio.kinds import Kind
from apps.radio.paths import Ground, Loss, Override, Path, distances_between, path, walls
from apps.radio.places import Place
from apps.radio.products import FAMILIES
from apps.radio.selectivity import STEPS_HZ, Rejection, emission, receiver_filter
from apps.radio.settings import Settings
from apps.radio.units import Decibels, power_ratio


@dataclass(frozen=True)
class Service:
    """One way in which a kind is used here: sent from these places, received in those (none: an outsider)."""

    kind: str
    sent_from: tuple[str, ...]
    received_in: tuple[str, ...] = ()


@dataclass(frozen=True)
class Spot:
    """Where receivers of a place are taken to stand: at its worst for all, or farthest from the fixed place they listen to.

    Who carries an in-ear receiver comes near its rack and goes far from it, and all that the rack sends rises and falls
    together. Products of the rack alone are worst at the nearest spot, products of others at the farthest; between the two
    nothing is worse than at both.
    """

    place: int
    id: str
    far_from: str = ""


@dataclass(frozen=True)
class Site:
    """Places, kinds and how they are used, with the levels that follow. ValueError lists all faults."""

    places: tuple[Place, ...]
    kinds: tuple[Kind, ...]
    services: tuple[Service, ...]
    settings: Settings = field(default_factory=Settings)
    overrides: tuple[Override, ...] = ()

    def __post_init__(self) -> None:
        faults = [*self._unknown_names(), *_doubles("place", self.places), *_doubles("kind", self.kinds)]
        faults += [
            f"kind {kind.id!r}: tuning must rise, not {kind.low_hz} to {kind.high_hz} Hz"
            for kind in self.kinds
            if not 0 < kind.low_hz <= kind.high_hz
        ]
        faults += [
            f"kind {kind.id!r}: bandwidth must be more than 0 Hz, not {kind.bandwidth_hz}"
            for kind in self.kinds
            if kind.bandwidth_hz <= 0
        ]
        faults += [
            f"kind {kind.id!r}: unknown family of products {family!r}; known are {', '.join(FAMILIES)}"
            for kind in self.kinds
            for family in kind.guards
            if family not in FAMILIES
        ]
        if not faults:
            faults += [
                f"place {place!r}: its passband keeps out kind {service.kind!r}, which it receives"
                for service in self.services
                for place in service.received_in
                if not self.lets_in(place, service.kind)
            ]
        if faults:
            raise ValueError("\n".join(faults))

    def _unknown_names(self) -> Iterable[str]:
        for number, service in enumerate(self.services):
            if service.kind not in self.kind_of:
                yield f"service {number}: unknown kind {service.kind!r}"
            if not service.sent_from:
                yield f"service {number}: sent from nowhere; name at least one place"
            for place in (*service.sent_from, *service.received_in):
                if place not in self.index_of:
                    yield f"service {number}: unknown place {place!r}"
        for override in self.overrides:
            for place in override.places:
                if place not in self.index_of:
                    yield f"override {override.note!r}: unknown place {place!r}"

    @cached_property
    def index_of(self) -> dict[str, int]:
        return {place.id: number for number, place in enumerate(self.places)}

    @cached_property
    def kind_of(self) -> dict[str, Kind]:
        return {kind.id: kind for kind in self.kinds}

    @cached_property
    def receiving(self) -> tuple[int, ...]:
        """Indices of the places that receive something."""
        names = {name for service in self.services for name in service.received_in}
        return tuple(number for number, place in enumerate(self.places) if place.id in names)

    def place(self, name: str) -> Place:
        return self.places[self.index_of[name]]

    @cached_property
    def spots(self) -> tuple[Spot, ...]:
        """Every receiving place, and once more farthest from each fixed sender that its people listen to."""
        found = []
        for place in self.receiving:
            name = self.places[place].id
            senders = {
                service.sent_from[0]
                for service in self.services
                if name in service.received_in and self._carried_about(service, name)
            }
            found.append(Spot(place, name))
            found += [Spot(place, f"{name}, far from {sender}", sender) for sender in sorted(senders)]
        return tuple(found)

    def spots_of(self, service: Service, receiver: str) -> list[Spot]:
        """The spots of a place at which a service must do."""
        sender = service.sent_from[0] if self._carried_about(service, receiver) else ""
        return [
            spot
            for spot in self.spots
            if self.places[spot.place].id == receiver and spot.far_from in ("", sender)
        ]

    def _carried_about(self, service: Service, receiver: str) -> bool:
        """Whether a service comes from one fixed place and is received by people who walk to and from it."""
        if len(service.sent_from) != 1 or self.place(receiver).stands != "bodies":
            return False
        return self.place(service.sent_from[0]).stands != "bodies"

    def heard_at_dbm(self, spot: Spot) -> Decibels:
        """Level of every emission at a spot's antennas, several at once, before any body there (emissions,)."""
        levels = self.emission_levels.together_dbm[:, spot.place].copy()
        if spot.far_from:
            weak = self.emission_levels.weak_dbm[:, spot.place]
            along = self.sender_index == self.index_of[spot.far_from]
            levels[along] = weak[along]
        return levels

    def own_dbm(self, service: Service, spot: Spot) -> float:
        """Weakest planned level of a service's own signal at a spot, bodies at both ends, before fading."""
        receiver = self.places[spot.place].id
        if spot.far_from or not self._carried_about(service, receiver):
            return min(self.weak_dbm(service.kind, sender, receiver) for sender in service.sent_from)
        near = self.strong_dbm(service.kind, service.sent_from[0], receiver)
        return near - self.kind_of[service.kind].receiver_body.usual_db

    @cached_property
    def _overrides(self) -> dict[frozenset[str], Override]:
        return {frozenset(override.places): override for override in self.overrides}

    def path(self, sender: str, receiver: str, kind: str) -> Path:
        """The record of how a kind's path loss from one place to another comes about."""
        override = self._overrides.get(frozenset((sender, receiver)))
        a, b, row = self.place(sender), self.place(receiver), self.kind_of[kind]
        if override is None:
            return path(a, b, row.low_hz, row.high_hz, self.settings)
        loss = Loss(override.loss_db, override.loss_db, override.loss_db)
        distances, _ = distances_between(a, b, self.settings)
        return Path(sender, receiver, distances, "a figure set by hand", (("path", loss),), override.note)

    @cached_property
    def emissions(self) -> tuple[tuple[str, str], ...]:
        """Every (kind, sending place) of the site once."""
        found = {(service.kind, sender): None for service in self.services for sender in service.sent_from}
        return tuple(found)

    @cached_property
    def emission_index(self) -> dict[tuple[str, str], int]:
        return {emission: number for number, emission in enumerate(self.emissions)}

    @cached_property
    def sender_index(self) -> NDArray[np.int64]:
        """Index of the place that each emission is sent from (emissions,)."""
        return np.array([self.index_of[sender] for _, sender in self.emissions], dtype=np.int64)

    @cached_property
    def path_loss_db(self) -> Decibels:
        """Losses of every emission to every receiving place: (strong, usual, weak; emissions, places).

        The totals of `path`, for all at once; infinite to places that receive nothing.
        """
        found = np.full((3, len(self.emissions), len(self.places)), np.inf)
        receivers = [self.places[number] for number in self.receiving]
        kept: dict[tuple[str, int, int], Decibels] = {}
        for number, (kind, sender) in enumerate(self.emissions):
            row = self.kind_of[kind]
            key = sender, row.low_hz, row.high_hz
            if key not in kept and receivers:
                kept[key] = self._losses_db(self.place(sender), receivers, row)
            if receivers:
                found[:, number, list(self.receiving)] = kept[key]
        return found

    def _losses_db(self, sender: Place, receivers: list[Place], row: Kind) -> Decibels:
        loss = Ground.between(sender, receivers, row.low_hz, row.high_hz, self.settings).loss_db
        for column, receiver in enumerate(receivers):
            for _, wall in walls(sender, receiver, row.low_hz, row.high_hz, self.settings):
                loss[:, column] += wall
            override = self._overrides.get(frozenset((sender.id, receiver.id)))
            if override is not None:
                loss[:, column] = override.loss_db
        return loss

    def lets_in(self, receiver: str, kind: str) -> bool:
        """Whether a place's receivers let the kind's tuning in at all (its passband, or no passband)."""
        band, row = self.place(receiver).passband, self.kind_of[kind]
        return not band or any(low <= row.high_hz and row.low_hz <= high for low, high in band)

    @cached_property
    def emission_levels(self) -> "Levels":
        """Levels of the emissions at every place's antennas, before any body there (emissions, places).

        Several from a place at once, as products need them: the strongest plausible, but among the bodies of
        one place that of the usual distance, for only a person's own device is as near as the nearest.
        """
        kinds = [self.kind_of[kind] for kind, _ in self.emissions]
        sent = np.array([self.sending(*emission).eirp_dbm for emission in self.emissions])[:, None]
        least = np.array([kind.body.least_db for kind in kinds])[:, None]
        usual = np.array([kind.body.usual_db for kind in kinds])[:, None]
        gain = np.array([place.antenna_dbi for place in self.places])
        loss = self.path_loss_db
        strong = sent - least + gain - loss[0]
        together = strong.copy()
        for number, (_, sender) in enumerate(self.emissions):
            for at in self.receiving:
                if self._among_bodies(sender, self.places[at]):
                    together[number, at] += loss[0, number, at] - loss[1, number, at]
        return Levels(strong, together, sent - usual + gain - loss[1], sent - usual + gain - loss[2])

    def _among_bodies(self, sender: str, receiver: Place) -> bool:
        """Whether a place's receivers are worn by the same people as a sending place's transmitters."""
        if self.place(sender).stands != "bodies" or receiver.stands != "bodies":
            return False
        return receiver.id == sender or sender in receiver.distances

    def _level_dbm(self, table: Decibels, kind: str, sender: str, receiver: str) -> float:
        return float(table[self.emission_index[kind, sender], self.index_of[receiver]])

    def strong_dbm(self, kind: str, sender: str, receiver: str) -> float:
        """Strongest plausible level at the receiving antenna's terminals, before any body at the receiver."""
        return self._level_dbm(self.emission_levels.strong_dbm, kind, sender, receiver)

    def together_dbm(self, kind: str, sender: str, receiver: str) -> float:
        """Level as one of several carriers from that place heard at once, before any body at the receiver."""
        return self._level_dbm(self.emission_levels.together_dbm, kind, sender, receiver)

    def usual_dbm(self, kind: str, sender: str, receiver: str) -> float:
        """Usual level at the receiving antenna's terminals, before any body at the receiver."""
        return self._level_dbm(self.emission_levels.usual_dbm, kind, sender, receiver)

    def weak_dbm(self, kind: str, sender: str, receiver: str) -> float:
        """Weakest planned level of a wanted signal at its receiver, bodies at both ends, before fading."""
        level = self._level_dbm(self.emission_levels.weak_dbm, kind, sender, receiver)
        return level - self.kind_of[kind].receiver_body.usual_db

    def interferer_dbm(self, kind: str, sender: str, victim: Service, receiver: str) -> float:
        """Strongest plausible level of an interferer at a victim's receiver, its body included.

        What comes from the same fixed place as the wanted signal arrives with it, near or far: then it counts
        as strong as there, where the wanted signal is at its weakest, but not faded.
        """
        body = self.kind_of[victim.kind].receiver_body
        if victim.sent_from == (sender,) and self.place(sender).stands != "bodies":
            level = self._level_dbm(self.emission_levels.weak_dbm, kind, sender, receiver)
            return level - body.usual_db
        return self.strong_dbm(kind, sender, receiver) - body.least_db

    @cached_property
    def _receptions(self) -> dict[tuple[Service, str], "Reception"]:
        return {}

    def reception(self, victim: Service, receiver: str) -> "Reception":
        """What a service's receivers at one of its places have to live with."""
        key = victim, receiver
        if key not in self._receptions:
            kind = self.kind_of[victim.kind]
            weakest = min(self.weak_dbm(kind.id, sender, receiver) for sender in victim.sent_from)
            usual = min(self.usual_dbm(kind.id, sender, receiver) for sender in victim.sent_from)
            noise = self.noise_dbm(receiver, kind.id)
            faded = weakest - self.settings.fade_db
            self._receptions[key] = Reception(
                weakest_dbm=weakest,
                faded_dbm=faded,
                usual_dbm=usual - kind.receiver_body.usual_db,
                noise_dbm=noise,
                threshold_dbm=max(faded - kind.protection, noise + self.settings.i_over_n_db),
                iip3_dbm=self.chain(receiver, kind.id).iip3_dbm,
            )
        return self._receptions[key]

    def sending(self, kind: str, sender: str) -> SendingChain:
        """The sending chain of a kind at a place: its transmitter, then what the place's transmitters share."""
        return self.place(sender).sending.carrying(self.kind_of[kind].sending)

    def chain(self, receiver: str, kind: str) -> ReceivingChain:
        """The receiving chain of a kind at a place: the place's antenna and front, the kind's receiver."""
        place, row = self.place(receiver), self.kind_of[kind]
        iip3 = self.settings.assumed_iip3_dbm if row.iip3_dbm is None else row.iip3_dbm
        return ReceivingChain(
            place.antenna_dbi, (*place.front, Stage("receiver", 0.0, row.noise_figure_db, iip3))
        )

    def noise_dbm(self, receiver: str, kind: str) -> float:
        """Noise in the kind's bandwidth at a place, referred to the antenna, local noise included."""
        return (
            self.chain(receiver, kind).noise_dbm(self.kind_of[kind].bandwidth_hz)
            + self.place(receiver).noise_rise_db
        )

    @cached_property
    def transmitter_product_db(self) -> Decibels:
        """How far 2A−B made among the transmitters of each place lies under its strongest carrier (places,)."""
        settings = self.settings
        return np.array(
            [settings.coupling_db[place.stands] + settings.conversion_db for place in self.places]
        )

    @cached_property
    def kind_index(self) -> NDArray[np.int64]:
        """Index of each service's kind (services,)."""
        order = {kind.id: number for number, kind in enumerate(self.kinds)}
        return np.array([order[service.kind] for service in self.services], dtype=np.int64)

    @cached_property
    def mixes(self) -> NDArray[np.bool_]:
        """Whether each service's carriers are sources of products (services,)."""
        return np.array([self.kind_of[service.kind].mixes for service in self.services], dtype=bool)

    @cached_property
    def levels(self) -> "Levels":
        """Levels of the services at every place, from wherever they are sent, bodies there not counted."""
        of = self.emission_levels
        return Levels(
            *(self._by_service(t) for t in (of.strong_dbm, of.together_dbm, of.usual_dbm, of.weak_dbm))
        )

    def _by_service(self, table: Decibels) -> Decibels:
        """The strongest of each service's emissions: (emissions, …) to (services, …)."""
        rows = [self.emission_index[s.kind, sender] for s in self.services for sender in s.sent_from]
        starts = np.cumsum([0, *(len(s.sent_from) for s in self.services)])[:-1]
        return np.maximum.reduceat(table[rows], starts) if rows else table[:0]

    @cached_property
    def services_from(self) -> dict[tuple[str, ...], list[int]]:
        """Indices of the services that are sent from the same places."""
        found: dict[tuple[str, ...], list[int]] = {}
        for number, service in enumerate(self.services):
            found.setdefault(service.sent_from, []).append(number)
        return found

    def services_at_dbm(self, spot: Spot) -> Decibels:
        """`heard_at_dbm` by service, from wherever each is sent (services,)."""
        return self._by_service(self.heard_at_dbm(spot))

    def senders_at_dbm(self, spot: Spot, *, usual: bool) -> Decibels:
        """The strongest carrier sent from each place as a spot hears it, as one of several (places,); −inf without one."""
        heard = self.emission_levels.usual_dbm[:, spot.place] if usual else self.heard_at_dbm(spot)
        found = np.full(len(self.places), -np.inf)
        np.maximum.at(found, self.sender_index, heard)
        return found

    @cached_property
    def _shares(self) -> dict[str, NDArray[np.float64]]:
        return {}

    def share_let_in(self, victim: str) -> NDArray[np.float64]:
        """Share of power that a kind's receiver lets in: by interfering kind and by offset in `STEP_HZ`."""
        if victim not in self._shares:
            rows = [self.rejection(kind.id, victim).at(STEPS_HZ) for kind in self.kinds]
            self._shares[victim] = power_ratio(-np.stack(rows))
        return self._shares[victim]

    @cached_property
    def _rejections(self) -> dict[tuple[str, str], Rejection]:
        return {}

    def rejection(self, interferer: str, victim: str) -> Rejection:
        """How a kind's receiver rejects another kind's emission."""
        key = interferer, victim
        if key not in self._rejections:
            sent, received = self.kind_of[interferer], self.kind_of[victim]
            self._rejections[key] = Rejection(
                emission(sent.modulation, sent.bandwidth_hz, sent.floor_db, sent.mask),
                receiver_filter(
                    received.modulation, received.bandwidth_hz, received.blocking_db, received.filter
                ),
            )
        return self._rejections[key]


@dataclass(frozen=True)
class Levels:
    """Levels in dBm at every place's receivers, one column a place, −inf at places that receive nothing."""

    strong_dbm: Decibels
    together_dbm: Decibels
    usual_dbm: Decibels
    weak_dbm: Decibels


@dataclass(frozen=True)
class Reception:
    """A service at one of its receiving places, in dBm at the antenna's terminals.

    The wanted level at its weakest planned, that less the fade allowance, and the usual one; noise; what does
    no harm within the filter, max(faded − PR, noise + I/N); the intercept point of the chain.
    """

    weakest_dbm: float
    faded_dbm: float
    usual_dbm: float
    noise_dbm: float
    threshold_dbm: float
    iip3_dbm: float


def _doubles(what: str, rows: Iterable[Place] | Iterable[Kind]) -> list[str]:
    names = [row.id for row in rows]
    return [
        f"{what} {name!r} is listed more than once" for name in sorted(set(names)) if names.count(name) > 1
    ]
