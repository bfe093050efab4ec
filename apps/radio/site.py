"""A site: its places, the kinds of device used there, the paths between places and the levels they give.

Belongs here: the description (`Place`, `Kind`, `Service`, `Settings`), which model of propagation holds
between two places, and levels, noise and rejection as a site has them. What a plan must keep follows in
`demands`, what it leaves over in `margins`. Interferers are taken at their strongest plausible, the wanted
signal at its weakest planned.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from apps.radio import propagation
from apps.radio.chains import ReceivingChain, SendingChain, Stage
from apps.radio.products import FADE_DB, FAMILIES, GUARDS_HZ
from apps.radio.propagation import Building, BuiltUp
from apps.radio.selectivity import (
    PROTECTION_DB,
    STEPS_HZ,
    Mask,
    Modulation,
    Rejection,
    emission,
    receiver_filter,
)
from apps.radio.units import Decibels, power_ratio

Stands = Literal["antennas", "bodies", "rack"]
Treatment = Literal["forbid", "penalise"]


# ------------------------------------------------------------------------------------ what a site is made of


@dataclass(frozen=True)
class Distances:
    """How near, usually and far two places' devices come, in metres."""

    nearest_m: float
    usual_m: float
    farthest_m: float

    def __post_init__(self) -> None:
        if not 0 < self.nearest_m <= self.usual_m <= self.farthest_m:
            raise ValueError(
                "distances must be more than 0 and in the order nearest, usual, farthest, not "
                f"{self.nearest_m:g}, {self.usual_m:g}, {self.farthest_m:g} m"
            )


@dataclass(frozen=True)
class Place:
    """A place that sends, receives or both: a stage's antennas, the bodies on it, or the rack beside it.

    `radius_m`: how far its devices stray from the position. `building`: the name of the building it is in,
    empty outdoors. `distances`: agreed distances to other places, or to itself, by their id; they stand in
    place of the positions and mean that the two see each other. `front`: what stands between the receiving
    antenna and the receivers. `noise_rise_db`: local noise of screens and lighting over thermal noise.
    """

    id: str
    east_m: float = 0.0
    north_m: float = 0.0
    height_m: float = 1.5
    stands: Stands = "antennas"
    radius_m: float = 0.0
    building: str = ""
    construction: Building = "traditional"
    distances: Mapping[str, Distances] = field(default_factory=dict)
    antenna_dbi: float = 0.0
    front: tuple[Stage, ...] = ()
    passband: tuple[tuple[int, int], ...] = ()
    noise_rise_db: float = 0.0


def stage(
    name: str,
    east_m: float,
    north_m: float,
    own: Distances,
    rack_m: float = 3.0,
    *,
    body_to_body_m: float = 0.6,
    antenna_height_m: float = 3.0,
    body_height_m: float = 1.5,
    building: str = "",
    construction: Building = "traditional",
    antenna_dbi: float = 0.0,
    front: tuple[Stage, ...] = (),
    passband: tuple[tuple[int, int], ...] = (),
) -> tuple[Place, Place, Place]:
    """The three places of a stage: `name/antennas`, `name/bodies` and `name/rack`.

    `own`: from its antennas, and from its rack, to the bodies; `rack_m`: from the antennas to the rack;
    `body_to_body_m`: a transmitter and a receiver on one person.
    """

    def place(stands: Stands, height_m: float, distances: Mapping[str, Distances]) -> Place:
        receiving = stands == "antennas"
        return Place(
            id=f"{name}/{stands}",
            east_m=east_m,
            north_m=north_m,
            height_m=height_m,
            stands=stands,
            radius_m=own.farthest_m if stands == "bodies" else 0.0,
            building=building,
            construction=construction,
            distances=distances,
            antenna_dbi=antenna_dbi if receiving else 0.0,
            front=front if receiving else (),
            passband=passband if receiving else (),
        )

    bodies = f"{name}/bodies"
    among = Distances(
        body_to_body_m, max(own.usual_m / 2, body_to_body_m), max(own.farthest_m, body_to_body_m)
    )
    beside = Distances(rack_m, rack_m, rack_m)
    return (
        place("antennas", antenna_height_m, {bodies: own, f"{name}/rack": beside}),
        place("bodies", body_height_m, {bodies: among, f"{name}/rack": own}),
        place("rack", antenna_height_m, {}),
    )


@dataclass(frozen=True)
class BodyLoss:
    """What a body takes from a worn or held device: least (interfering) and usual (wanted)."""

    least_db: float
    usual_db: float


_NONE, _HELD, _WORN = BodyLoss(0.0, 0.0), BodyLoss(0.0, 8.0), BodyLoss(6.0, 14.0)

BODY_LOSS: Final[dict[str, BodyLoss]] = {
    "hand_held": _HELD,
    "two_way": _HELD,
    "body_worn": _WORN,
    "in_ear": _WORN,
    "intercom": _WORN,
    "telemetry": _WORN,
    "link": _NONE,
    "any": _NONE,
    "": _NONE,
}
"""By the use of a device that a person wears or holds. Starting figures met in spectrum studies, from memory,
low confidence: hand-held 6 to 11 dB, belt-worn 14 to 21 dB. A setting of each kind, not a constant; the fade
allowance comes on top (IEEE 802.22-09/0068r2: up to 27 dB for both)."""


@dataclass(frozen=True)
class Kind:
    """The radio figures of a class of device. `low_hz` to `high_hz` is what it tunes.

    `body` is the loss at the sending end, `receiver_body` at the receiving one. Without `iip3_dbm` any
    product counts; without `protection_db`, `guards_hz`, `mask` or `filter` those of its modulation hold.
    `mask` and `filter` are (offset in bandwidths, dB) points.
    """

    id: str
    modulation: Modulation
    bandwidth_hz: int
    low_hz: int
    high_hz: int
    sending: SendingChain
    use: str = ""
    body: BodyLoss = BODY_LOSS[""]
    receiver_body: BodyLoss = BODY_LOSS[""]
    noise_figure_db: float = 6.0
    iip3_dbm: float | None = None
    iip5_dbm: float | None = None
    floor_db: float = -90.0
    blocking_db: float = 80.0
    protection_db: float | None = None
    guards_hz: Mapping[str, int] | None = None
    mask: Mask | None = None
    filter: Mask | None = None
    mixes: bool = True

    @property
    def protection(self) -> float:
        return PROTECTION_DB[self.modulation] if self.protection_db is None else self.protection_db

    @property
    def guards(self) -> Mapping[str, int]:
        return GUARDS_HZ[self.modulation] if self.guards_hz is None else self.guards_hz


@dataclass(frozen=True)
class Service:
    """One way in which a kind is used here: sent from these places, received in those (none: an outsider)."""

    kind: str
    sent_from: tuple[str, ...]
    received_in: tuple[str, ...] = ()


@dataclass(frozen=True)
class Override:
    """A path loss that somebody measured or answers for, in place of the model, either way."""

    places: tuple[str, str]
    loss_db: float
    note: str


@dataclass(frozen=True)
class Wish:
    """A separation worth something beyond what must be, between two uses.

    It holds where the rejection needed between the two is `from_db` or more.
    """

    uses: tuple[str, str]
    min_hz: int
    weight: float
    note: str
    from_db: float = 60.0


WISHES: Final = (
    Wish(("in_ear", "hand_held"), 6_000_000, 0.5, "racks away from microphones; common practice, no source"),
    Wish(("in_ear", "body_worn"), 6_000_000, 0.5, "packs away from microphones; common practice, no source"),
)


@dataclass(frozen=True)
class Settings:
    """Every constant of the model. `surroundings` other than open apply between low terminals out of sight.

    `coupling_db`: from one transmitter to the next standing together, by what stands there; assumptions, no
    source. `assumed_iip3_dbm`: what margins count with where a kind has no figure; an assumption, no source.
    `fade_db` comes off the wanted signal. I/N = −6 dB: Radio Regulations No. 5.225A. `treatments`:
    interference from more than two strong signals is very improbable (ITU-R SM.1134), so those cost.
    """

    surroundings: Literal["open"] | BuiltUp = "open"
    fade_db: float = FADE_DB
    i_over_n_db: float = -6.0
    strong_percent: float = 10.0
    weak_percent: float = 90.0
    low_terminal_m: float = 3.0
    free_space_to_m: float = 10.0
    least_m: float = 0.5
    coupling_db: Mapping[str, float] = field(
        default_factory=lambda: {"bodies": 34.0, "rack": 40.0, "antennas": 30.0}
    )
    conversion_db: float = 12.0
    assumed_iip3_dbm: float = -10.0
    limit_step_db: float = 3.0
    treatments: Mapping[str, Treatment] = field(
        default_factory=lambda: {"2A-B": "forbid", "A+B-C": "penalise", "3A-2B": "penalise"}
    )
    wishes: tuple[Wish, ...] = WISHES


# --------------------------------------------------------------------------------------------------- paths


@dataclass(frozen=True)
class Loss:
    """A path loss three ways: least (interferer), usual, and greatest planned (wanted), in dB."""

    strong_db: float
    usual_db: float
    weak_db: float

    def __add__(self, other: "Loss") -> "Loss":
        return Loss(
            self.strong_db + other.strong_db, self.usual_db + other.usual_db, self.weak_db + other.weak_db
        )


@dataclass(frozen=True)
class Path:
    """How the loss between two places came about: distances, the model of the strong side, parts by name."""

    sender: str
    receiver: str
    distances: Distances
    model: str
    parts: tuple[tuple[str, Loss], ...]
    note: str = ""

    @cached_property
    def loss(self) -> Loss:
        total = Loss(0.0, 0.0, 0.0)
        for _, part in self.parts:
            total = total + part
        return total

    def words(self) -> str:
        """One sentence for people."""
        d = self.distances.nearest_m
        return (
            f"{self.sender} to {self.receiver}: {d:.3g} m apart at the nearest, "
            f"{self.loss.strong_db:.0f} dB by {self.model}" + (f" ({self.note})" if self.note else "")
        )


def distances_between(a: Place, b: Place, settings: Settings) -> tuple[Distances, bool]:
    """Distances between two places' devices, and whether they are agreed rather than from the positions."""
    agreed = a.distances.get(b.id) or b.distances.get(a.id)
    if agreed is not None:
        return agreed, True
    least = settings.least_m
    if a.id == b.id:
        return Distances(least, max(least, a.radius_m), max(least, 2 * a.radius_m)), True
    apart = math.dist((a.east_m, a.north_m, a.height_m), (b.east_m, b.north_m, b.height_m))
    spread = a.radius_m + b.radius_m
    return Distances(max(least, apart - spread), max(least, apart), max(least, apart + spread)), False


def path(sender: Place, receiver: Place, low_hz: float, high_hz: float, settings: Settings) -> Path:
    """Loss between two places over a tuning range: the strong side at its low end, the weak at its high end.

    In sight, or low terminals among buildings where the settings say so; in different buildings a wall each.
    """
    distances, _ = distances_between(sender, receiver, settings)
    ground = _Ground.between(sender, [receiver], low_hz, high_hz, settings)
    parts = [("path", Loss(*ground.loss_db[:, 0].tolist()))]
    parts += [
        (f"wall of {place.building} (ITU-R P.2109)", Loss(*wall))
        for place, wall in _walls(sender, receiver, low_hz, high_hz, settings)
    ]
    return Path(sender.id, receiver.id, distances, ground.model(0), tuple(parts))


@dataclass(frozen=True)
class _Ground:
    """Losses from one place to several without walls (strong, usual, weak; places), and by which model."""

    loss_db: Decibels
    among_buildings: NDArray[np.bool_]
    free_space: NDArray[np.bool_]

    @classmethod
    def between(
        cls, sender: Place, receivers: Sequence[Place], low_hz: float, high_hz: float, settings: Settings
    ) -> "_Ground":
        """Near by free space, so that no interferer is taken louder than that, whatever the model says."""
        found = [distances_between(sender, receiver, settings) for receiver in receivers]
        metres = np.array([(d.nearest_m, d.usual_m, d.farthest_m) for d, _ in found]).T
        heights = np.array([receiver.height_m for receiver in receivers])
        hz = np.array([low_hz, math.sqrt(low_hz * high_hz), high_hz])
        loss = _in_sight_db(hz, metres, sender.height_m, heights)
        hidden = np.zeros(len(receivers), dtype=bool)
        if settings.surroundings != "open":
            low = (heights <= settings.low_terminal_m) & (sender.height_m <= settings.low_terminal_m)
            seen = [
                agreed or _same_building(sender, r) for (_, agreed), r in zip(found, receivers, strict=True)
            ]
            hidden = low & ~np.array(seen, dtype=bool)
            loss = np.where(hidden, _among_buildings_db(hz, metres, settings, settings.surroundings), loss)
        nearest = propagation.free_space_db(low_hz, np.minimum(metres[0], settings.free_space_to_m))
        free = nearest >= loss[0]
        loss[0] = np.maximum(nearest, loss[0])
        return cls(loss, hidden, free)

    def model(self, number: int) -> str:
        """The model behind the strong side."""
        if self.free_space[number]:
            return "free space (ITU-R P.525)"
        if self.among_buildings[number]:
            return "low terminals among buildings (ITU-R P.1411 §4.3)"
        return "line of sight over ground (ITU-R P.1411 §4.1.2)"


def _in_sight_db(hz: Decibels, metres: Decibels, height_m: float, heights_m: Decibels) -> Decibels:
    """Lower bound of P.1411 §4.1.2; usual and weak its median, or free space if that is more (3, n)."""
    lower = propagation.street_line_of_sight_db(hz[0], metres[0], height_m, heights_m, "lower")
    street = propagation.street_line_of_sight_db(hz[1:, None], metres[1:], height_m, heights_m, "median")
    return np.vstack((lower, np.maximum(street, propagation.free_space_db(hz[1:, None], metres[1:]))))


def _among_buildings_db(hz: Decibels, metres: Decibels, settings: Settings, built_up: BuiltUp) -> Decibels:
    """P.1411 §4.3 at the settings' percentiles (3, n)."""
    percents = settings.strong_percent, 50.0, settings.weak_percent
    return np.stack(
        [
            propagation.low_terminals_db(f, d, percent, built_up)
            for f, d, percent in zip(hz, metres, percents, strict=True)
        ]
    )


def _same_building(a: Place, b: Place) -> bool:
    return bool(a.building) and a.building == b.building


def _walls(
    sender: Place, receiver: Place, low_hz: float, high_hz: float, settings: Settings
) -> list[tuple[Place, tuple[float, float, float]]]:
    """The wall of each building between two places: P.2109 at the settings' percentiles."""
    if _same_building(sender, receiver):
        return []
    percents = settings.strong_percent, 50.0, settings.weak_percent
    return [
        (place, _entry_db(math.sqrt(low_hz * high_hz), percents, place.construction))
        for place in (sender, receiver)
        if place.building
    ]


@cache
def _entry_db(
    hz: float, percents: tuple[float, float, float], construction: Building
) -> tuple[float, float, float]:
    good, usual, bad = (float(propagation.building_entry_db(hz, p, construction)) for p in percents)
    return good, usual, bad


# ---------------------------------------------------------------------------------------------------- site


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
        loss = _Ground.between(sender, receivers, row.low_hz, row.high_hz, self.settings).loss_db
        for column, receiver in enumerate(receivers):
            for _, wall in _walls(sender, receiver, row.low_hz, row.high_hz, self.settings):
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
        sent = np.array([kind.sending.eirp_dbm for kind in kinds])[:, None]
        least = np.array([kind.body.least_db for kind in kinds])[:, None]
        usual = np.array([kind.body.usual_db for kind in kinds])[:, None]
        gain = np.array([place.antenna_dbi for place in self.places])
        loss = self.path_loss_db
        strong = sent - least + gain - loss[0]
        together = strong.copy()
        for number, (_, sender) in enumerate(self.emissions):
            own = self.index_of[sender]
            if self.places[own].stands == "bodies" and own in self.receiving:
                together[number, own] += loss[0, number, own] - loss[1, number, own]
        return Levels(strong, together, sent - usual + gain - loss[1], sent - usual + gain - loss[2])

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

    def transmitter_product_db(self, place: int) -> float:
        """How far 2A−B made among the transmitters of a place lies under its strongest carrier."""
        return self.settings.coupling_db[self.places[place].stands] + self.settings.conversion_db

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
        rows = [[self.emission_index[s.kind, sender] for sender in s.sent_from] for s in self.services]
        of = self.emission_levels
        tables = (of.strong_dbm, of.together_dbm, of.usual_dbm, of.weak_dbm)
        shape = len(self.services), len(self.places)
        return Levels(
            *(np.array([table[row].max(axis=0) for row in rows]).reshape(shape) for table in tables)
        )

    @cached_property
    def heard_dbm(self) -> Decibels:
        """The strongest carrier sent from the first place that the second hears, as one of several."""
        found = np.full((len(self.places), len(self.places)), -np.inf)
        for number, (_, sender) in enumerate(self.emissions):
            row = self.index_of[sender]
            found[row] = np.maximum(found[row], self.emission_levels.together_dbm[number])
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
