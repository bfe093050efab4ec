"""What a plan leaves over: for every carrier at every place that receives it, and which others disturb it.

Belongs here: the sums over a plan's carriers. Levels are referred to the receiving antenna's terminals. A
margin is the wanted level over noise, interference and products together, less the protection ratio, in whole
dB rounded down. `margin_db`: the wanted signal at its weakest planned and faded, the worst interferer at its
strongest plausible and all others at their usual level, for not all are nearest at once; products at their
strongest. Who walks to and from the fixed place that he listens to is looked at at both ends of the way (see
`Spot`). `usual_margin_db`: all at their usual level, products too, nothing faded. Both are a model's figures:
measure on site.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from apps.radio.beats import common_bin_hz, third_order_loads
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
    def bin_hz(self) -> int:
        """The bin on which products are counted."""
        return common_bin_hz(self.hz)


@dataclass(frozen=True)
class Margins:
    """One row per link, a carrier at a place that receives it. Levels in dBm (m,), margins in whole dB (m,).

    `slot`: the stretch of time in which it is worst; all interference is of that slot. `spot`: where at its
    place it is worst, an index into the site's spots. `worst` (m, 3): the carriers that disturb it most, each
    at its strongest, −1 where there are none; `worst_dbm`: their levels.
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
    worst: NDArray[np.int64]
    worst_dbm: Decibels


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
    for spot in site.spots:
        groups = [
            _Group(site, plan, spot, service, carriers)
            for service, carriers in victims[spot.place]
            if spot in site.spots_of(site.services[service], site.places[spot.place].id)
        ]
        if not groups:
            continue
        products = _products_mw(site, plan, groups, slots, sources, usual=False)
        # The usual level knows no nearest and no farthest spot: it was looked at where the place comes first.
        usually = products if spot.far_from else _products_mw(site, plan, groups, slots, sources, usual=True)
        start = 0
        for group in groups:
            rows = slice(start, start + group.carriers.size)
            found = group.margins(slots, products[rows], usually[rows], background_dbm or {})
            key = spot.place, group.number
            parts[key] = found if key not in parts else _worse(parts[key], found)
            start = rows.stop
    return _joined(list(parts.values()))


def _worse(first: Margins, other: Margins) -> Margins:
    """Link by link whichever leaves less; the usual margin is the first's."""
    lower = other.margin_db < first.margin_db

    def chosen(name: str) -> Any:
        ours, theirs = getattr(first, name), getattr(other, name)
        return np.where(lower.reshape(-1, *[1] * (ours.ndim - 1)), theirs, ours)

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
            worst=np.zeros((0, 3), dtype=np.int64),
            worst_dbm=np.zeros((0, 3)),
        )
    return Margins(
        **{row.name: np.concatenate([getattr(part, row.name) for part in parts]) for row in fields(Margins)}
    )


def _victims(
    site: Site, plan: Plan, place: int, only: NDArray[np.bool_] | None
) -> Iterable[tuple[int, NDArray[np.int64]]]:
    """Carriers received at a place, by service."""
    chosen = plan.on.any(axis=1) & _in_passband(site, place, plan.hz)
    if only is not None:
        chosen &= only
    for number, service in enumerate(site.services):
        carriers = np.nonzero(chosen & (plan.service == number))[0]
        if carriers.size and site.places[place].id in service.received_in:
            yield number, carriers


def _in_passband(site: Site, place: int, hz: NDArray[np.int64]) -> NDArray[np.bool_]:
    bands = site.places[place].passband
    if not bands:
        return np.ones(hz.size, dtype=bool)
    return np.logical_or.reduce([(hz >= low) & (hz <= high) for low, high in bands])


def _slots_that_matter(on: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Slots whose set of carriers is not contained in another's: loads only grow with the set."""
    _, first = np.unique(on, axis=1, return_index=True)
    first = np.sort(first)
    sets = on[:, first].astype(np.float32)
    shared = sets.T @ sets
    contained = (shared == shared.diagonal()[:, None]) & ~np.eye(first.size, dtype=bool)
    return first[~contained.any(axis=1)]


class _Group:
    """The links of one service at one spot, with the level of every carrier at the service's receivers."""

    def __init__(self, site: Site, plan: Plan, spot: Spot, service: int, carriers: NDArray[np.int64]) -> None:
        self.site, self.plan, self.spot, self.place, self.carriers = site, plan, spot, spot.place, carriers
        self.number, self.service = service, site.services[service]
        self.kind: Kind = site.kind_of[self.service.kind]
        self.name = site.places[spot.place].id
        heard = _in_passband(site, spot.place, plan.hz) & plan.on.any(axis=1)
        body = self.kind.receiver_body
        strong = site.levels.strong_dbm[plan.service, spot.place] + plan.power - body.least_db
        usual = site.levels.usual_dbm[plan.service, spot.place] + plan.power - body.usual_db
        strong = np.minimum(strong, self._with_wanted_dbm()[plan.service] + plan.power)
        self.strong_mw = np.where(heard, milliwatts(strong), 0.0)
        self.usual_mw = np.where(heard, milliwatts(usual), 0.0)
        self.reception = site.reception(self.service, self.name)
        self.wanted_dbm = site.own_dbm(self.service, spot) - site.settings.fade_db
        self.noise_mw = float(milliwatts(self.reception.noise_dbm))
        self.iip3_dbm = self.reception.iip3_dbm

    def body_db(self, *, usual: bool) -> float:
        """What the receivers' bodies take from what mixes in them."""
        return self.kind.receiver_body.usual_db if usual else self.kind.receiver_body.least_db

    def _with_wanted_dbm(self) -> Decibels:
        """Level of services that come from the same fixed place as the wanted signal; inf for others."""
        here = self.site.own_dbm(self.service, self.spot)
        wanted = self.site.weak_dbm(self.service.kind, self.service.sent_from[0], self.name)
        return np.array(
            [
                self.site.interferer_dbm(other.kind, other.sent_from[0], self.service, self.name)
                + here
                - wanted
                if other.sent_from == self.service.sent_from and len(other.sent_from) == 1
                else np.inf
                for other in self.site.services
            ]
        )

    def let_in(self) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Share of each carrier that each victim's filter lets in, 0 for itself, and overlap (v, n)."""
        hz, kinds = self.plan.hz, self.site.kind_index[self.plan.service]
        table = self.site.share_let_in(self.kind.id)
        apart = np.abs(hz[None, :] - hz[self.carriers, None])
        step = np.minimum(((apart + 0.5) / STEP_HZ).astype(np.int32), table.shape[1] - 1)
        share = table.ravel().take(kinds * table.shape[1] + step)
        share[np.arange(self.carriers.size), self.carriers] = 0.0
        widths = np.array([kind.bandwidth_hz for kind in self.site.kinds])[kinds]
        return share, 2 * apart < widths + self.kind.bandwidth_hz

    def margins(
        self,
        slots: NDArray[np.int64],
        products: NDArray[np.float64],
        usual_products: NDArray[np.float64],
        background_dbm: Mapping[tuple[int, int], float],
    ) -> Margins:
        """Margins of these links, their products (v, slots) given, at their strongest and as they usually are."""
        rows, on = np.arange(self.carriers.size), self.plan.on[:, slots]
        share, overlapping = self.let_in()
        at_once = np.minimum(self.usual_mw, self.strong_mw)
        excess = share * (self.strong_mw - at_once)
        unwanted = share @ (at_once[:, None] * on)
        unwanted += np.stack([(excess * on[:, slot]).max(axis=1) for slot in range(slots.size)], axis=1)
        worst_slot = np.where(on[self.carriers], unwanted + products, -1.0).argmax(axis=1)
        unwanted, products = unwanted[rows, worst_slot], products[rows, worst_slot]
        usual_products = usual_products[rows, worst_slot]
        on_then = on[:, worst_slot].T
        share, excess = share * on_then, excess * on_then
        usual = share @ self.usual_mw
        nearest = excess.argmax(axis=1)
        cochannel = (share * overlapping) @ at_once
        cochannel += np.where(overlapping[rows, nearest], excess[rows, nearest], 0.0)
        single = share * self.strong_mw
        worst = _three_largest(single)
        worst_mw = np.where(worst < 0, 0.0, np.take_along_axis(single, np.maximum(worst, 0), axis=1))
        noise = np.array(
            [
                self.noise_mw + float(milliwatts(background_dbm.get((carrier, self.place), -np.inf)))
                for carrier in self.carriers.tolist()
            ]
        )
        power = self.plan.power[self.carriers]
        wanted, usual_wanted = self.wanted_dbm + power, self.reception.usual_dbm + power
        return Margins(
            carrier=self.carriers,
            place=np.full(self.carriers.size, self.place),
            spot=np.full(self.carriers.size, self.site.spots.index(self.spot)),
            slot=slots[worst_slot],
            wanted_dbm=wanted,
            noise_dbm=dbm(noise),
            cochannel_dbm=dbm(cochannel),
            adjacent_dbm=dbm(np.maximum(0.0, unwanted - cochannel)),
            products_dbm=dbm(products),
            margin_db=self._margin(wanted, noise + unwanted + products),
            usual_margin_db=self._margin(usual_wanted, noise + usual + usual_products),
            worst=worst,
            worst_dbm=dbm(worst_mw),
        )

    def _margin(self, wanted: Decibels, unwanted_mw: NDArray[np.float64]) -> NDArray[np.int64]:
        left = wanted - self.kind.protection - dbm(unwanted_mw)
        return np.floor(left + 1e-9).astype(np.int64)


def _products_mw(
    site: Site,
    plan: Plan,
    groups: Sequence[_Group],
    slots: NDArray[np.int64],
    sources: Sequence["_Source"],
    *,
    usual: bool,
) -> NDArray[np.float64]:
    """Products of all kinds at the links of one spot, by link and slot (links, slots)."""
    found = _transmitter_products_mw(site, groups, sources, usual=usual)
    return found + _receiver_products_mw(site, plan, groups, slots, usual=usual)


def _receiver_products_mw(
    site: Site, plan: Plan, groups: Sequence[_Group], slots: NDArray[np.int64], *, usual: bool
) -> NDArray[np.float64]:
    """Products made in the receivers at one spot, by link and slot (links, slots).

    At most the strongest carrier: past compression the intercept formula no longer holds.
    """
    sizes = [group.carriers.size for group in groups]
    carrier = np.concatenate([group.carriers for group in groups])
    body = np.repeat([power_ratio(-group.body_db(usual=usual)) for group in groups], sizes)
    gain = body**3 * np.repeat([power_ratio(-2 * group.iip3_dbm) for group in groups], sizes)
    two_guard = np.repeat([group.kind.guards.get("2A-B", 0) for group in groups], sizes)
    three_guard = np.repeat([group.kind.guards.get("A+B-C", 0) for group in groups], sizes)
    noise = np.repeat([group.noise_mw for group in groups], sizes)
    level = _levels_together(site, plan, groups[0].spot, usual=usual)
    found = np.zeros((carrier.size, slots.size))
    matters = TRIPLE_BEAT * level.sum() ** 3 * gain > noise * NEGLIGIBLE
    on, heard = plan.on[:, slots], np.nonzero(level > 0)[0]
    for together, alike in _alike(on[heard]):
        letters = heard[together]
        near = np.nonzero(on[carrier][:, alike].any(axis=1) & matters)[0]
        two, three = third_order_loads(
            plan.hz[letters],
            level[letters],
            plan.hz[carrier[near]],
            np.where(np.isin(carrier[near], letters), level[carrier[near]], 0.0),
            (two_guard[near], three_guard[near]),
            plan.bin_hz,
        )
        found[np.ix_(near, alike)] = ((two + TRIPLE_BEAT * three) * gain[near])[:, None]
    found *= on[carrier]
    return np.minimum(found, (body * level.max(initial=0.0))[:, None])


def _levels_together(site: Site, plan: Plan, spot: Spot, *, usual: bool) -> NDArray[np.float64]:
    """Each carrier's power at a spot's antennas as a source of products (n,); 0 for those that are none."""
    heard = _in_passband(site, spot.place, plan.hz) & site.mixes[plan.service]
    levels = site.levels.usual_dbm[:, spot.place] if usual else site.services_at_dbm(spot)
    return np.where(heard, milliwatts(levels[plan.service] + plan.power), 0.0)


def _alike(on: NDArray[np.bool_]) -> Iterable[tuple[NDArray[np.bool_], NDArray[np.int64]]]:
    """Slots in which the same of some carriers (n, slots) are on the air: those carriers (n,), and the slots."""
    sets, where = np.unique(on, axis=1, return_inverse=True)
    return [(together, np.nonzero(where.ravel() == number)[0]) for number, together in enumerate(sets.T)]


@dataclass(frozen=True)
class _Source:
    """A place where transmitters stand together: what their 2A−B weigh near each carrier of the plan, by slot (n, slots).

    Weights are against the cube of the strongest sent from there; `most` is all that they could weigh together.
    """

    place: int
    most: float
    weight: NDArray[np.float64]


def _sources(
    site: Site,
    plan: Plan,
    slots: NDArray[np.int64],
    victims: Mapping[int, Sequence[tuple[int, NDArray[np.int64]]]],
) -> list[_Source]:
    """Counted once for all who receive them: where a product lies does not depend on who hears it."""
    guard = np.zeros(plan.hz.size, dtype=np.int64)
    for service, carriers in (group for groups in victims.values() for group in groups):
        guard[carriers] = site.kind_of[site.services[service].kind].guards.get("2A-B", 0)
    on = plan.on[:, slots]
    found = []
    for place, sent in _sent_from(site, plan):
        level = _relative_levels(site, plan, place)
        weight = np.zeros(on.shape)
        for together, alike in _alike(on[sent]):
            letters = sent[together]
            near = np.nonzero((guard > 0) & on[:, alike].any(axis=1))[0]
            two, _ = third_order_loads(
                plan.hz[letters],
                level[letters],
                plan.hz[near],
                np.where(np.isin(near, letters), level[near], 0.0),
                (guard[near], np.zeros_like(near)),
                plan.bin_hz,
            )
            weight[np.ix_(near, alike)] = two[:, None] * on[np.ix_(near, alike)]
        found.append(_Source(place, float(level[sent].sum() ** 3), weight))
    return found


def _transmitter_products_mw(
    site: Site, groups: Sequence[_Group], sources: Sequence[_Source], *, usual: bool
) -> NDArray[np.float64]:
    """2A−B made where transmitters stand together, then heard like a carrier from there (links, slots)."""
    sizes = [group.carriers.size for group in groups]
    carrier = np.concatenate([group.carriers for group in groups])
    body = np.repeat([group.body_db(usual=usual) for group in groups], sizes)
    noise = np.repeat([group.noise_mw for group in groups], sizes)
    found = np.zeros((carrier.size, sources[0].weight.shape[1] if sources else 1))
    for source in sources:
        heard = site.heard_from_dbm(source.place, groups[0].spot, usual=usual)
        gain = milliwatts(heard - body - site.transmitter_product_db(source.place))
        gain = np.where(gain * source.most > noise * NEGLIGIBLE, gain, 0.0)
        found += gain[:, None] * source.weight[carrier]
    return found


def _three_largest(power: NDArray[np.float64]) -> NDArray[np.int64]:
    """Columns of the three largest of each row, largest first, −1 where there is nothing."""
    count = min(3, power.shape[1])
    top = np.argpartition(power, -count, axis=1)[:, -count:]
    order = np.argsort(-np.take_along_axis(power, top, axis=1), axis=1, kind="stable")
    top = np.take_along_axis(top, order, axis=1)
    top = np.where(np.take_along_axis(power, top, axis=1) > 0, top, -1)
    return np.pad(top, ((0, 0), (0, 3 - count)), constant_values=-1)


def _sent_from(site: Site, plan: Plan) -> Iterable[tuple[int, NDArray[np.int64]]]:
    """Places with the carriers that mix there, two or more."""
    for place, row in enumerate(site.places):
        services = [n for n, s in enumerate(site.services) if row.id in s.sent_from and site.mixes[n]]
        carriers = np.nonzero(np.isin(plan.service, services))[0]
        if carriers.size >= 2:
            yield place, carriers


def _relative_levels(site: Site, plan: Plan, place: int) -> NDArray[np.float64]:
    """Each carrier's radiated power over the strongest sent from a place; 0 for those sent from elsewhere."""
    name = site.places[place].id
    radiated = np.array(
        [
            site.sending(s.kind, name).eirp_dbm - site.kind_of[s.kind].body.least_db
            if name in s.sent_from and site.kind_of[s.kind].mixes
            else -np.inf
            for s in site.services
        ]
    )
    return milliwatts(radiated[plan.service] + plan.power - radiated.max())


# ------------------------------------------------------------------------------------ what disturbs one link

LETTERS: Final = 300
"""Products are named among this many of the strongest carriers that a place hears."""


def contributors(site: Site, plan: Plan, found: Margins, link: int, count: int = 3) -> list[Contributor]:
    """The worst contributors to one link in its worst slot, carriers and products alike, strongest first."""
    carrier, slot = int(found.carrier[link]), int(found.slot[link])
    spot = site.spots[int(found.spot[link])]
    group = _Group(site, plan, spot, int(plan.service[carrier]), np.array([carrier]))
    single = (group.let_in()[0] * group.strong_mw * plan.on[:, slot])[0]
    top = np.argsort(-single, kind="stable")[:count]
    rows = [Contributor(float(dbm(single[c])), (int(c),)) for c in top if single[c] > 0]
    rows += _named_receiver_products(group, carrier, slot, count)
    rows += _named_transmitter_products(group, carrier, slot, count)
    return sorted(rows, key=lambda row: (-row.level_dbm, row.carriers))[:count]


def _named_receiver_products(group: _Group, carrier: int, slot: int, count: int) -> list[Contributor]:
    plan, level = group.plan, _levels_together(group.site, group.plan, group.spot, usual=False)
    level = level * power_ratio(-group.kind.receiver_body.least_db)
    strongest_dbm = float(dbm(level.max()))
    letters = np.nonzero((level > 0) & plan.on[:, slot] & (np.arange(plan.hz.size) != carrier))[0]
    letters = letters[np.argsort(-level[letters], kind="stable")][:LETTERS]
    rows = []
    for family, factor in (("2A-B", 1.0), ("A+B-C", TRIPLE_BEAT)):
        guard = group.kind.guards.get(family, 0)
        for indices, weight in _products_near(
            family, plan.hz[letters], level[letters], int(plan.hz[carrier]), guard, count
        ):
            product_dbm = min(float(dbm(weight * factor)) - 2 * group.iip3_dbm, strongest_dbm)
            rows.append(
                Contributor(product_dbm, tuple(int(letters[i]) for i in indices), family, "receivers")
            )
    return rows


def _named_transmitter_products(group: _Group, carrier: int, slot: int, count: int) -> list[Contributor]:
    site, plan = group.site, group.plan
    guard = group.kind.guards.get("2A-B", 0)
    rows = []
    for place, sent in _sent_from(site, plan):
        level = _relative_levels(site, plan, place)
        letters = sent[plan.on[sent, slot] & (sent != carrier)]
        heard = site.heard_from_dbm(place, group.spot, usual=False) - group.body_db(usual=False)
        loss = site.transmitter_product_db(place)
        for indices, weight in _products_near(
            "2A-B", plan.hz[letters], level[letters], int(plan.hz[carrier]), guard, count
        ):
            named = tuple(int(letters[i]) for i in indices)
            rows.append(Contributor(float(dbm(weight)) + heard - loss, named, "2A-B", "transmitters"))
    return rows


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
