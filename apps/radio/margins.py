"""What a plan leaves over: for every carrier at every place that receives it, and which others disturb it.

Belongs here: the sums over a plan's carriers. Levels are referred to the receiving antenna's terminals. A
margin is the wanted level over noise, interference and products together, less the protection ratio, in whole
dB rounded down. `margin_db`: the wanted signal at its weakest planned and faded, the worst interferer at its
strongest plausible and all others at their usual level, for not all are nearest at once; products at their
strongest. Who walks to and from the fixed place that he listens to is looked at at both ends of the way (see
`Spot`). `usual_margin_db`: all at their usual level, products too, nothing faded. Both are a model's figures:
measure on site.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from apps.radio.beats import third_order_loads
from apps.radio.kinds import Kind
from apps.radio.selectivity import STEP_HZ
from apps.radio.site import Site, Spot
from apps.radio.units import Decibels, dbm, milliwatts, power_ratio

TRIPLE_BEAT: Final = 4.0
"""Power of A+B−C over 2A−B of equal carriers: 6.02 dB."""

NEGLIGIBLE: Final = 1e-3
"""Products that even all together stay under this share of the noise are not counted."""


@dataclass(frozen=True)
class Plan:
    """Carriers of a plan as arrays: frequency (n,), index of the service (n,), on the air (n, slots).

    `power_db` (n,) is each carrier's power step against its kind's full power; absent: all at full power.
    ValueError when shapes or indices do not fit.
    """

    hz: NDArray[np.int64]
    service: NDArray[np.int64]
    on: NDArray[np.bool_]
    power_db: Decibels | None = None

    def __post_init__(self) -> None:
        n = self.hz.size
        power = self.power
        if not (self.service.shape == power.shape == (n,) and self.on.ndim == 2 and self.on.shape[0] == n):
            raise ValueError(
                f"a plan of {n} carriers needs service ({n},), power_db ({n},) and on ({n}, slots), not "
                f"{self.service.shape}, {power.shape} and {self.on.shape}"
            )

    @cached_property
    def power(self) -> Decibels:
        return np.zeros(self.hz.size) if self.power_db is None else self.power_db

    @cached_property
    def power_ratio(self) -> NDArray[np.float64]:
        return power_ratio(self.power)

    @cached_property
    def ever_on(self) -> NDArray[np.bool_]:
        """Which carriers are on the air at all (n,)."""
        return np.asarray(self.on.any(axis=1))


@dataclass(frozen=True)
class Margins:
    """One row per link, a carrier at a place that receives it. Levels in dBm (m,), margins in whole dB (m,).

    `slot`: the stretch of time in which it is worst; all interference is of that slot. `spot`: where at its
    place it is worst, an index into the site's spots. Who disturbs it most: `contributors`.
    `place` is an index into the site's places.
    """

    carrier: NDArray[np.int64]
    place: NDArray[np.int64]
    spot: NDArray[np.int64]
    slot: NDArray[np.int64]
    wanted_dbm: Decibels
    noise_dbm: Decibels
    cochannel_dbm: Decibels
    adjacent_dbm: Decibels
    products_dbm: Decibels
    margin_db: NDArray[np.int64]
    usual_margin_db: NDArray[np.int64]


@dataclass(frozen=True)
class Contributor:
    """What disturbs a link: one carrier, or the letters of a product with the name of its family."""

    level_dbm: float
    carriers: tuple[int, ...]
    family: str = ""
    made_in: str = ""


def margins(
    site: Site,
    plan: Plan,
    *,
    only: NDArray[np.bool_] | None = None,
    background_dbm: Mapping[tuple[int, int], float] | None = None,
) -> Margins:
    """Margins of all links of a plan, or of the carriers in `only` (n,), every carrier interfering.

    `background_dbm`: noise found by a survey in a carrier's bandwidth, by (carrier, place index), on top of
    the receiver's own. A carrier never on the air, or kept out by its place's passband, has no link.
    """
    slots = _slots_that_matter(plan.on)
    victims = {place: list(_victims(site, plan, place, only)) for place in site.receiving}
    sources = _sources(site, plan, slots, victims)
    parts: dict[tuple[int, int], Margins] = {}
    for start in range(0, len(site.spots), SPOTS_AT_ONCE):
        for group, found in _at(
            site.spots[start : start + SPOTS_AT_ONCE],
            site,
            plan,
            slots,
            victims,
            sources,
            background_dbm or {},
        ):
            key = group.place, group.number
            parts[key] = found if key not in parts else _worse(parts[key], found)
    return _joined(list(parts.values()))


SPOTS_AT_ONCE: Final = 64
"""Spots that are counted together: enough to pay, few enough for memory."""


def _at(
    spots: Sequence[Spot],
    site: Site,
    plan: Plan,
    slots: NDArray[np.int64],
    victims: Mapping[int, Sequence[tuple[int, NDArray[np.int64]]]],
    sources: "_Sources",
    background_dbm: Mapping[tuple[int, int], float],
) -> Iterable[tuple["_Group", Margins]]:
    """The margins of every group of links at some spots."""
    places, let_in = [], {}
    for spot in spots:
        air, groups = _Air(site, plan, spot, slots), []
        for service, carriers in victims[spot.place]:
            if spot in site.spots_of(site.services[service], site.places[spot.place].id):
                key = spot.place, service
                if key not in let_in:
                    let_in[key] = _LetIn(air, site.kind_of[site.services[service].kind], carriers)
                groups.append(_Group(air, service, carriers, let_in[key]))
        if groups:
            places.append(_Links(air, groups, sources))
    if slots.size > 1:
        _mix([links.if_all_were_on() for links in places])
    _mix([mixture for links in places for mixture in links.mixtures()])
    _mix([mixture for links in places for mixture in links.usual_mixtures()])
    for links in places:
        yield from links.margins(background_dbm)


def _worse(first: Margins, other: Margins) -> Margins:
    """Link by link whichever leaves less; the usual margin is the first's."""
    lower = other.margin_db < first.margin_db

    def chosen(name: str) -> Any:
        ours, theirs = getattr(first, name), getattr(other, name)
        return np.where(lower, theirs, ours)

    worse = {row.name: chosen(row.name) for row in fields(Margins) if row.name != "usual_margin_db"}
    return Margins(**worse, usual_margin_db=first.usual_margin_db)


def _joined(parts: Sequence[Margins]) -> Margins:
    """Parts one after the other; the empty result without any."""
    if not parts:
        whole, level = np.zeros(0, dtype=np.int64), np.zeros(0)
        return Margins(
            carrier=whole,
            place=whole,
            spot=whole,
            slot=whole,
            wanted_dbm=level,
            noise_dbm=level,
            cochannel_dbm=level,
            adjacent_dbm=level,
            products_dbm=level,
            margin_db=whole,
            usual_margin_db=whole,
        )
    return Margins(
        **{row.name: np.concatenate([getattr(part, row.name) for part in parts]) for row in fields(Margins)}
    )


def _victims(
    site: Site, plan: Plan, place: int, only: NDArray[np.bool_] | None
) -> Iterable[tuple[int, NDArray[np.int64]]]:
    """Carriers received at a place, by service."""
    chosen = np.nonzero(plan.ever_on & _in_passband(site, place, plan.hz) & (True if only is None else only))[
        0
    ]
    service = plan.service[chosen]
    for number in sorted(set(service.tolist())):
        if site.places[place].id in site.services[number].received_in:
            yield number, chosen[service == number]


def _in_passband(site: Site, place: int, hz: NDArray[np.int64]) -> NDArray[np.bool_]:
    bands = site.places[place].passband
    if not bands:
        return np.ones(hz.size, dtype=bool)
    return np.logical_or.reduce([(hz >= low) & (hz <= high) for low, high in bands])


def _slots_that_matter(on: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Slots whose set of carriers is not contained in another's: loads only grow with the set."""
    first = np.sort(_distinct(on)[0])
    sets = on[:, first].astype(np.float32)
    shared = sets.T @ sets
    contained = (shared == shared.diagonal()[:, None]) & ~np.eye(first.size, dtype=bool)
    return first[~contained.any(axis=1)]


def _distinct(on: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Columns (n, sets) that differ: the first of each kind, and for every column which of those it is like."""
    kinds: dict[bytes, int] = {}
    packed = np.packbits(on.T, axis=1)
    like = np.array([kinds.setdefault(row.tobytes(), len(kinds)) for row in packed], dtype=np.int64)
    return np.unique(like, return_index=True)[1], like


class _Air:
    """What receivers at a spot let in: `heard` are the indices of those carriers (h,), `on` says when (h, slots)."""

    def __init__(self, site: Site, plan: Plan, spot: Spot, slots: NDArray[np.int64]) -> None:
        self.site, self.plan, self.spot, self.slots = site, plan, spot, slots
        self.heard = np.nonzero(plan.ever_on & _in_passband(site, spot.place, plan.hz))[0]
        self.slots_on = plan.on[:, slots]

    @cached_property
    def on(self) -> NDArray[np.float64]:
        return self.slots_on[self.heard].astype(np.float64)

    @cached_property
    def hz(self) -> NDArray[np.int64]:
        return self.plan.hz[self.heard]

    @cached_property
    def service(self) -> NDArray[np.int64]:
        return self.plan.service[self.heard]

    @cached_property
    def kind(self) -> NDArray[np.int64]:
        return self.site.kind_index[self.service]

    @cached_property
    def width_hz(self) -> NDArray[np.int32]:
        return np.array([kind.bandwidth_hz for kind in self.site.kinds], dtype=np.int32)[self.kind]

    def mw(self, by_service_dbm: Decibels) -> NDArray[np.float64]:
        """Power of what is heard, each at its own step, from levels of the services (h,)."""
        return milliwatts(by_service_dbm)[self.service] * self.plan.power_ratio[self.heard]


class _LetIn:
    """What the receivers of a kind at one place let in of everything heard there, victim by victim (v, h).

    `share` of its power, 0 for the victim itself; `overlapping`: whether it lies on the victim's channel.
    """

    def __init__(self, air: _Air, kind: Kind, carriers: NDArray[np.int64]) -> None:
        table = air.site.share_let_in(kind.id)
        far_hz = table.shape[1] * STEP_HZ - 1
        apart = np.minimum(np.abs(air.hz[None, :] - air.plan.hz[carriers, None]), far_hz).astype(np.int32)
        self.overlapping = 2 * apart < air.width_hz + kind.bandwidth_hz
        self.share = table.ravel().take(air.kind * table.shape[1] + apart // STEP_HZ)
        self.share[np.arange(carriers.size), np.searchsorted(air.heard, carriers)] = 0.0


class _Group:
    """The links of one service at one spot, with the level of everything heard at the service's receivers (h,)."""

    def __init__(self, air: _Air, service: int, carriers: NDArray[np.int64], let_in: _LetIn) -> None:
        self.let_in = let_in
        site = air.site
        self.air, self.site, self.plan, self.spot, self.carriers = air, site, air.plan, air.spot, carriers
        self.number, self.service, self.place = service, site.services[service], air.spot.place
        self.kind: Kind = site.kind_of[self.service.kind]
        self.name = site.places[self.place].id
        body = self.kind.receiver_body
        strong = np.minimum(site.levels.strong_dbm[:, self.place] - body.least_db, self._with_wanted_dbm())
        self.strong_mw = air.mw(strong)
        self.usual_mw = air.mw(site.levels.usual_dbm[:, self.place] - body.usual_db)
        self.at_once_mw = np.minimum(self.usual_mw, self.strong_mw)
        self.reception = site.reception(self.service, self.name)
        self.wanted_dbm = site.own_dbm(self.service, self.spot) - site.settings.fade_db
        self.noise_mw = float(milliwatts(self.reception.noise_dbm))
        self.iip3_dbm = self.reception.iip3_dbm

    def body_db(self, *, usual: bool) -> float:
        """What the receivers' bodies take from what mixes in them."""
        return self.kind.receiver_body.usual_db if usual else self.kind.receiver_body.least_db

    def _with_wanted_dbm(self) -> Decibels:
        """Level of services that come from the same fixed place as the wanted signal; inf for others."""
        found = np.full(len(self.site.services), np.inf)
        if len(self.service.sent_from) > 1:
            return found
        here = self.site.own_dbm(self.service, self.spot)
        wanted = self.site.weak_dbm(self.service.kind, self.service.sent_from[0], self.name)
        for number in self.site.services_from[self.service.sent_from]:
            other = self.site.services[number]
            level = self.site.interferer_dbm(other.kind, other.sent_from[0], self.service, self.name)
            found[number] = level + here - wanted
        return found

    @cached_property
    def unwanted_mw(self) -> NDArray[np.float64]:
        """All single interferers in every slot, the worst of them at its strongest (v, slots)."""
        share = self.let_in.share
        together = share @ (self.at_once_mw[:, None] * self.air.on)
        return together + _largest_on(share * (self.strong_mw - self.at_once_mw), self.air.on)

    def margins(
        self,
        worst_slot: NDArray[np.int64],
        products: NDArray[np.float64],
        usual_products: NDArray[np.float64],
        background_dbm: Mapping[tuple[int, int], float],
    ) -> Margins:
        """Margins of these links in their worst slots, products (v,) given, at their strongest and as they usually are."""
        rows, air = np.arange(self.carriers.size), self.air
        share, overlapping = self.let_in.share * air.on[:, worst_slot].T, self.let_in.overlapping
        usual = share @ self.usual_mw
        excess = share * (self.strong_mw - self.at_once_mw)
        nearest = excess.argmax(axis=1)
        cochannel = (share * overlapping) @ self.at_once_mw
        cochannel += np.where(overlapping[rows, nearest], excess[rows, nearest], 0.0)
        unwanted = self.unwanted_mw[rows, worst_slot]
        noise = np.array(
            [
                self.noise_mw + float(milliwatts(background_dbm.get((carrier, self.place), -np.inf)))
                for carrier in self.carriers.tolist()
            ]
            if background_dbm
            else [self.noise_mw] * self.carriers.size
        )
        power = self.plan.power[self.carriers]
        wanted, usual_wanted = self.wanted_dbm + power, self.reception.usual_dbm + power
        return Margins(
            carrier=self.carriers,
            place=np.full(self.carriers.size, self.place),
            spot=np.full(self.carriers.size, self.site.spots.index(self.spot)),
            slot=air.slots[worst_slot],
            wanted_dbm=wanted,
            noise_dbm=dbm(noise),
            cochannel_dbm=dbm(cochannel),
            adjacent_dbm=dbm(np.maximum(0.0, unwanted - cochannel)),
            products_dbm=dbm(products),
            margin_db=self._margin(wanted, noise + unwanted + products),
            usual_margin_db=self._margin(usual_wanted, noise + usual + usual_products),
        )

    def _margin(self, wanted: Decibels, unwanted_mw: NDArray[np.float64]) -> NDArray[np.int64]:
        left = wanted - self.kind.protection - dbm(unwanted_mw)
        return np.floor(left + 1e-9).astype(np.int64)


FEW: Final = 8
"""The largest that is on is looked for among this many of the largest first."""


def _largest_on(power: NDArray[np.float64], on: NDArray[np.float64]) -> NDArray[np.float64]:
    """The largest of each row (v, h) among those that are on (h, slots), in every slot (v, slots)."""
    if power.shape[1] <= FEW or on.shape[1] == 1:
        return np.stack([(power * on[:, slot]).max(axis=1) for slot in range(on.shape[1])], axis=1)
    top = np.argpartition(power, -FEW, axis=1)[:, -FEW:]
    values = np.take_along_axis(power, top, axis=1)
    found = (values[:, :, None] * on[top]).max(axis=1)
    missed = found < values.min(axis=1, keepdims=True)
    for slot in np.nonzero(missed.any(axis=0))[0]:
        rows = missed[:, slot]
        found[rows, slot] = (power[rows] * on[:, slot]).max(axis=1)
    return found


class _Links:
    """All links of one spot, group after group, and which slot is the worst for each.

    Products made in receivers are counted only in slots that could be a link's worst: if even all that are ever on, on at
    once, would not lift it above another slot, it is not.
    """

    def __init__(self, air: _Air, groups: Sequence[_Group], sources: "_Sources") -> None:
        self.air, self.groups, self.sources = air, groups, sources
        self.carrier = np.concatenate([group.carriers for group in groups])
        self.noise_mw = self.spread(lambda group: group.noise_mw)
        two = self.spread(lambda group: group.kind.guards.get("2A-B", 0))
        three = self.spread(lambda group: group.kind.guards.get("A+B-C", 0))
        self.guards_hz = np.stack([two, three]).astype(np.int64)
        self.alive = air.slots_on[self.carrier]
        self.unwanted = np.concatenate([group.unwanted_mw for group in groups])
        self.products = _transmitter_products_mw(self, sources, usual=False)
        self.possible = self.alive

    def spread(self, figure: Callable[[_Group], Any]) -> NDArray[np.float64]:
        """A figure of each group's, link by link (links,)."""
        return np.repeat(
            [float(figure(group)) for group in self.groups], [group.carriers.size for group in self.groups]
        )

    def body_ratio(self, *, usual: bool) -> NDArray[np.float64]:
        """What the receivers' bodies leave of what mixes in them (links,)."""
        return power_ratio(-self.spread(lambda group: group.body_db(usual=usual)))

    def if_all_were_on(self) -> "_Mixture":
        """What is asked to know which slots are possible."""
        rows = np.arange(self.carrier.size)
        everything = np.ones((self.air.plan.hz.size, 1), dtype=bool)
        self._most = _Mixture(self, everything, rows, np.zeros_like(rows))
        return self._most

    def mixtures(self) -> list["_Mixture"]:
        """What is asked in the possible slots."""
        if self.alive.shape[1] > 1:
            known = np.where(self.alive, self.unwanted + self.products, -1.0)
            could = known + self._most.mw[:, None] * (1.0 + 1e-9)
            self.possible = self.alive & (could >= known.max(axis=1, keepdims=True))
        rows, slots = np.nonzero(self.possible)
        some, columns = np.unique(slots, return_inverse=True)
        self._strong = _Mixture(self, self.air.slots_on[:, some], rows, columns)
        return [self._strong]

    def usual_mixtures(self) -> list["_Mixture"]:
        """What is asked in the worst slots; nothing at a far spot, for the usual level knows no nearest and no farthest."""
        self.products[self.possible] += self._strong.mw
        self.worst = np.where(self.alive, self.unwanted + self.products, -1.0).argmax(axis=1)
        if self.air.spot.far_from:
            return []
        some, columns = np.unique(self.worst, return_inverse=True)
        rows = np.arange(self.carrier.size)
        self._usual = _Mixture(self, self.air.slots_on[:, some], rows, columns, usual=True)
        return [self._usual]

    def margins(self, background_dbm: Mapping[tuple[int, int], float]) -> Iterable[tuple[_Group, Margins]]:
        rows = np.arange(self.carrier.size)
        products = self.products[rows, self.worst]
        usual = products
        if not self.air.spot.far_from:
            made = _transmitter_products_mw(self, self.sources, usual=True)
            usual = self._usual.mw + made[rows, self.worst]
        start = 0
        for group in self.groups:
            mine = slice(start, start + group.carriers.size)
            yield group, group.margins(self.worst[mine], products[mine], usual[mine], background_dbm)
            start = mine.stop


class _Mixture:
    """Products made in the receivers at one spot among sets of carriers on the air, near some of its links.

    `on` (n, sets); `rows` and `columns` (r,) say which link is asked about in which set; `mw` (r,) holds the answers once
    `_mix` has been at it. At most the strongest carrier: past compression the intercept formula no longer holds.
    """

    def __init__(
        self,
        links: "_Links",
        on: NDArray[np.bool_],
        rows: NDArray[np.int64],
        columns: NDArray[np.int64],
        *,
        usual: bool = False,
    ) -> None:
        air, carrier = links.air, links.carrier[rows]
        level = _levels_together(air, usual=usual)
        body = links.body_ratio(usual=usual)[rows]
        gain = body**3 * links.spread(lambda group: power_ratio(-2 * group.iip3_dbm))[rows]
        self.mw = np.zeros(rows.size)
        self.at_most = body * level.max(initial=0.0)
        self.letters = air.heard[level[air.heard] > 0]
        self.hz_of_letters = air.plan.hz[self.letters]
        first, like = _distinct(on[self.letters])
        self.levels = level[self.letters] * on[self.letters][:, first].T
        noise = links.noise_mw[rows]
        self.near = np.nonzero(TRIPLE_BEAT * level.sum() ** 3 * gain > noise * NEGLIGIBLE)[0]
        near = self.near
        self.gain, self.sets, self.hz = gain[near], like[columns[near]], air.plan.hz[carrier[near]]
        self.own = level[carrier[near]] * on[carrier[near], columns[near]]
        self.guards_hz = links.guards_hz[:, rows[near]]


AT_ONCE: Final = 64
"""Sets of carriers on the air that are counted together: enough to pay, few enough for memory."""


def _mix(mixtures: Sequence[_Mixture]) -> None:
    """Answer all that is asked, those of the same letters together."""
    alike: dict[bytes, list[list[_Mixture]]] = {}
    for mixture in mixtures:
        batches = alike.setdefault(mixture.letters.tobytes(), [[]])
        if batches[-1] and sum(m.levels.shape[0] for m in batches[-1]) + mixture.levels.shape[0] > AT_ONCE:
            batches.append([])
        batches[-1].append(mixture)
    for batch in (batch for batches in alike.values() for batch in batches):
        before = np.cumsum([0, *(mixture.levels.shape[0] for mixture in batch)])
        two, three = third_order_loads(
            batch[0].hz_of_letters,
            np.concatenate([mixture.levels for mixture in batch]),
            np.concatenate([mixture.hz for mixture in batch]),
            np.concatenate([mixture.own for mixture in batch]),
            np.concatenate([mixture.guards_hz for mixture in batch], axis=1),
            np.concatenate([mixture.sets + start for mixture, start in zip(batch, before, strict=False)]),
        )
        counted = two + TRIPLE_BEAT * three
        start = 0
        for mixture in batch:
            mine = slice(start, start + mixture.near.size)
            mixture.mw[mixture.near] = np.minimum(counted[mine] * mixture.gain, mixture.at_most[mixture.near])
            start = mine.stop


def _levels_together(air: _Air, *, usual: bool) -> NDArray[np.float64]:
    """Each carrier's power at a spot's antennas as a source of products (n,); 0 for those that are none."""
    site, spot = air.site, air.spot
    levels = site.levels.usual_dbm[:, spot.place] if usual else site.services_at_dbm(spot)
    found = np.zeros(air.plan.hz.size)
    found[air.heard] = air.mw(np.where(site.mixes, levels, -np.inf))
    return found


@dataclass(frozen=True)
class _Sources:
    """Places (s,) where transmitters stand together: what their 2A−B weigh near each carrier, by slot (s, n, slots).

    Weights are against the cube of the strongest sent from there; `most` (s,) is all that they could weigh together.
    """

    places: NDArray[np.int64]
    most: NDArray[np.float64]
    weight: NDArray[np.float64]


def _sources(
    site: Site,
    plan: Plan,
    slots: NDArray[np.int64],
    victims: Mapping[int, Sequence[tuple[int, NDArray[np.int64]]]],
) -> _Sources:
    """Counted once for all who receive them: where a product lies does not depend on who hears it."""
    guard = np.zeros(plan.hz.size, dtype=np.int64)
    for service, carriers in (group for groups in victims.values() for group in groups):
        guard[carriers] = site.kind_of[site.services[service].kind].guards.get("2A-B", 0)
    on, near = plan.on[:, slots], np.nonzero(guard)[0]
    where = list(_sent_from(site, plan))
    weight, most = np.zeros((len(where), *on.shape)), np.zeros(len(where))
    for row, (_, sent, level) in enumerate(where):
        own = np.zeros(plan.hz.size)
        own[sent] = level
        first, like = _distinct(on[sent])
        rows, columns = np.nonzero(on[near][:, first])
        rows = near[rows]
        two, _ = third_order_loads(
            plan.hz[sent],
            level * on[sent][:, first].T,
            plan.hz[rows],
            own[rows],
            np.stack([guard[rows], np.zeros_like(rows)]),
            columns,
        )
        by_set = np.zeros((on.shape[0], first.size))
        by_set[rows, columns] = two
        weight[row] = by_set[:, like] * on
        most[row] = level.sum() ** 3
    return _Sources(np.array([place for place, *_ in where], dtype=np.int64), most, weight)


def _transmitter_products_mw(links: _Links, sources: _Sources, *, usual: bool) -> NDArray[np.float64]:
    """2A−B made where transmitters stand together, then heard like a carrier from there (links, slots)."""
    site, spot = links.air.site, links.air.spot
    loss_db = site.transmitter_product_db[sources.places]
    from_there = milliwatts(site.senders_at_dbm(spot, usual=usual)[sources.places] - loss_db)
    gain = np.outer(links.body_ratio(usual=usual), from_there)
    gain[gain * sources.most <= links.noise_mw[:, None] * NEGLIGIBLE] = 0.0
    return np.einsum("ls,slk->lk", gain, sources.weight[:, links.carrier])


def _sent_from(site: Site, plan: Plan) -> Iterable[tuple[int, NDArray[np.int64], NDArray[np.float64]]]:
    """Places with the carriers that mix there, two or more, and their radiated power over the strongest of them."""
    sent_by: dict[str, list[int]] = {}
    for number, service in enumerate(site.services):
        if site.mixes[number]:
            for name in service.sent_from:
                sent_by.setdefault(name, []).append(number)
    for place, row in enumerate(site.places):
        services = sent_by.get(row.id, [])
        radiated = np.full(len(site.services), -np.inf)
        for number in services:
            kind = site.kind_of[site.services[number].kind]
            radiated[number] = site.sending(kind.id, row.id).eirp_dbm - kind.body.least_db
        carriers = np.nonzero(radiated[plan.service] > -np.inf)[0]
        if carriers.size >= 2:
            level = milliwatts(radiated - radiated.max())[plan.service[carriers]] * plan.power_ratio[carriers]
            yield place, carriers, level


# ------------------------------------------------------------------------------------ what disturbs one link

LETTERS: Final = 300
"""Products are named among this many of the strongest carriers that a place hears."""


def contributors(
    site: Site, plan: Plan, found: Margins, links: Iterable[int], count: int = 3
) -> list[list[Contributor]]:
    """The worst contributors to each of these links in its worst slot, carriers and products alike, strongest first."""
    sources = list(_sent_from(site, plan))
    return [_contributors(site, plan, found, link, count, sources) for link in links]


_Source = tuple[int, NDArray[np.int64], NDArray[np.float64]]


def _contributors(
    site: Site, plan: Plan, found: Margins, link: int, count: int, sources: Sequence[_Source]
) -> list[Contributor]:
    carrier, slot = int(found.carrier[link]), int(found.slot[link])
    air = _Air(site, plan, site.spots[int(found.spot[link])], np.array([slot]))
    service, alone = int(plan.service[carrier]), np.array([carrier])
    let_in = _LetIn(air, site.kind_of[site.services[service].kind], alone)
    group = _Group(air, service, alone, let_in)
    single = (let_in.share * group.strong_mw * air.on[:, 0])[0]
    top = np.argsort(-single, kind="stable")[:count]
    worst = _Worst(
        count, [Contributor(float(dbm(single[c])), (int(air.heard[c]),)) for c in top if single[c] > 0]
    )
    _name_receiver_products(worst, group, carrier, slot)
    _name_transmitter_products(worst, group, carrier, slot, sources)
    return worst.rows


class _Worst:
    """The strongest so many of what disturbs a link. What cannot come among them is not looked for."""

    def __init__(self, count: int, rows: Iterable[Contributor]) -> None:
        self.count = count
        self.rows: list[Contributor] = []
        self.add(rows)

    def add(self, rows: Iterable[Contributor]) -> None:
        found = sorted([*self.rows, *rows], key=lambda row: (-row.level_dbm, row.carriers))
        self.rows = found[: self.count]

    @property
    def least_dbm(self) -> float:
        """What is weaker than this changes nothing."""
        return self.rows[-1].level_dbm if len(self.rows) == self.count else -np.inf


def _name_receiver_products(worst: _Worst, group: _Group, carrier: int, slot: int) -> None:
    plan = group.plan
    level = _levels_together(group.air, usual=False) * power_ratio(-group.kind.receiver_body.least_db)
    strongest_dbm = float(dbm(level.max()))
    others = np.nonzero((level > 0) & plan.on[:, slot] & (np.arange(plan.hz.size) != carrier))[0]
    others = others[np.argsort(-level[others], kind="stable")][:LETTERS]
    for family, factor in (("2A-B", 1.0), ("A+B-C", TRIPLE_BEAT)):
        # A letter that is too weak even beside two of the strongest makes nothing that counts.
        enough_dbm = worst.least_dbm + 2 * group.iip3_dbm - float(dbm(factor)) - 2 * strongest_dbm
        letters = others[level[others] >= milliwatts(enough_dbm)]
        guard = group.kind.guards.get(family, 0)
        worst.add(
            Contributor(
                min(float(dbm(weight * factor)) - 2 * group.iip3_dbm, strongest_dbm),
                tuple(int(letters[i]) for i in indices), family, "receivers",
            )
            for indices, weight in _products_near(
                family, plan.hz[letters], level[letters], int(plan.hz[carrier]), guard, worst.count
            )
        )  # fmt: skip


def _name_transmitter_products(
    worst: _Worst, group: _Group, carrier: int, slot: int, sources: Sequence[_Source]
) -> None:
    site, plan = group.site, group.plan
    guard = group.kind.guards.get("2A-B", 0)
    from_there = site.senders_at_dbm(group.spot, usual=False) - group.body_db(usual=False)
    from_there = from_there - site.transmitter_product_db
    for place, sent, sent_level in sources:
        heard = float(from_there[place])
        if heard + 3 * float(dbm(sent_level.max())) < worst.least_dbm:
            continue
        beside = plan.on[sent, slot] & (sent != carrier)
        letters, level = sent[beside], sent_level[beside]
        worst.add(
            Contributor(
                float(dbm(weight)) + heard, tuple(int(letters[i]) for i in indices), "2A-B", "transmitters"
            )
            for indices, weight in _products_near(
                "2A-B", plan.hz[letters], level, int(plan.hz[carrier]), guard, worst.count
            )
        )


def _products_near(
    family: str,
    hz: NDArray[np.int64],
    levels: NDArray[np.float64],
    victim_hz: int,
    guard_hz: int,
    count: int,
) -> list[tuple[tuple[int, ...], float]]:
    """The heaviest products of a third-order family near a frequency: letters' indices and weight."""
    if guard_hz <= 0 or hz.size < 2:
        return []
    order = np.argsort(hz, kind="stable")
    if family == "2A-B":
        first = second = np.arange(hz.size)
        weight = levels**2
    else:
        first, second = np.triu_indices(hz.size, k=1)
        weight = levels[first] * levels[second]
    target = hz[first] + hz[second] - victim_hz
    low = np.searchsorted(hz[order], target - guard_hz, side="right")
    many = np.searchsorted(hz[order], target + guard_hz, side="left") - low
    row = np.repeat(np.arange(many.size), many)
    last = order[np.arange(row.size) - np.repeat(np.cumsum(many) - many, many) + low[row]]
    distinct = (last != first[row]) & (last != second[row])
    row, last = row[distinct], last[distinct]
    heavy = np.argsort(-(weight[row] * levels[last]), kind="stable")[:count]
    return [
        (
            (int(first[row[i]]), int(last[i]))
            if family == "2A-B"
            else (int(first[row[i]]), int(second[row[i]]), int(last[i])),
            float(weight[row[i]] * levels[last[i]]),
        )
        for i in heavy
    ]


# ------------------------------------------------------------------------------------------------- power


@dataclass(frozen=True)
class PowerSuggestion:
    """The lowest power step at which every link of a group keeps its margin, and the least margin then.

    A suggestion, after a walk test. `enough` is False when not even full power does it.
    """

    step_db: float
    least_margin_db: int
    enough: bool


def lowest_sufficient_power(
    site: Site, plan: Plan, group: NDArray[np.int64], steps_db: Sequence[float], least_margin_db: int = 0
) -> PowerSuggestion:
    """Lowest of `steps_db` (0 is full power, −7 a fifth of it) for a whole group of carriers.

    Lowering all of a group by 1 dB lowers its third-order products by 3, so its margin may fall by less.
    ValueError without steps or carriers.
    """
    if not steps_db or group.size == 0:
        raise ValueError("a power suggestion needs at least one step and one carrier")
    only = np.zeros(plan.hz.size, dtype=bool)
    only[group] = True
    least = 0
    for step in sorted(steps_db):
        power = plan.power.copy()
        power[group] = step
        found = margins(site, replace(plan, power_db=power), only=only)
        least = int(found.margin_db.min(initial=np.iinfo(np.int64).max))
        if least >= least_margin_db:
            return PowerSuggestion(step, least, True)
    return PowerSuggestion(max(steps_db), least, False)
