"""What a plan breaks and what it costs, by plain counting.

Written apart from the search so that a fault of its arithmetic cannot hide here: frequencies stay whole hertz, products are
found one by one (`products`) and only those that land near a victim are weighed.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from apps.solver.problem import Carrier, Noise, Problem, ProductRule, Separation, concerns, linear
from apps.solver.verify.products import SLOTS_AT_ONCE, Sources

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

PAIRS_AT_ONCE = 1_000_000


@dataclass(frozen=True)
class Breach:
    """A broken rule: who suffers, through whom, where and when, and by how much.

    `rule` is raster, blocked, fixed, pair, span, separation or product; `row` the rule's place in its list of the problem
    (None: a rule of the format itself). Measured and limit are hertz, or linear loads of products.
    """

    rule: str
    victim: str
    others: tuple[str, ...] = ()
    row: int | None = None
    zone: str | None = None
    slot: str | None = None
    measured: float = 0.0
    limit: float = 0.0


@dataclass(frozen=True)
class WorstLoad:
    """Where and when a carrier's load under a product rule is highest, and how high (linear)."""

    zone: str
    slot: str
    load: float


@dataclass(frozen=True)
class Verdict:
    """Every breach, the penalty, and of each product row the loads over its limit: {(row, carrier): where it is worst}."""

    breaches: tuple[Breach, ...]
    penalty: float
    loads: Mapping[tuple[int, str], WorstLoad] = field(default_factory=dict)

    @property
    def ok(self) -> bool:
        return not self.breaches


def verify(problem: Problem, assignments: Mapping[str, int]) -> Verdict:
    """Recount every rule. What fixed carriers alone do to each other is no breach (it was there before)."""
    plan = _Plan(problem, assignments)
    found = [*_anywhere(plan), *_separations(plan, np.ones(plan.n, bool), plan.on)]
    loads: dict[tuple[int, str], WorstLoad] = {}
    for first in range(0, len(problem.slots), SLOTS_AT_ONCE):
        air = _Air(plan, range(first, min(first + SLOTS_AT_ONCE, len(problem.slots))))
        for z, zone in enumerate(problem.zones):
            for row, victims, suffered in air.loads(z):
                found += air.breaches(z, row, victims, suffered)
                worst = suffered.argmax(axis=1)
                for v in np.flatnonzero((suffered > problem.products[row].limit).any(axis=1)):
                    key, load = (row, plan.ids[victims[v]]), float(suffered[v, worst[v]])
                    if key not in loads or load > loads[key].load:
                        loads[key] = WorstLoad(zone.id, problem.slots[air.slots[worst[v]]], load)
    penalised = sum(
        problem.products[row].weight * worst.load
        for (row, _), worst in loads.items()
        if problem.products[row].treatment == "penalise"
    )
    return Verdict(tuple(found), penalised + _wishes(plan) + _noise(plan), loads)


def breaches_anywhere(problem: Problem, assignments: Mapping[str, int]) -> tuple[Breach, ...]:
    """What knows no place: rasters, blocked ranges, fixed carriers, pairs, spans, separations of named carriers."""
    return tuple(_anywhere(_Plan(problem, assignments)))


def breaches_at(problem: Problem, assignments: Mapping[str, int], zone: str, slot: str) -> tuple[Breach, ...]:
    """Products that hit carriers received in a zone, and separations of carriers that stand there, in one slot.

    Over all zones and slots, with breaches_anywhere, these are the breaches of verify().
    """
    plan = _Plan(problem, assignments)
    z, t = [place.id for place in problem.zones].index(zone), problem.slots.index(slot)
    found = list(_separations(plan, plan.stands[:, z], plan.on[:, [t]]))
    air = _Air(plan, range(t, t + 1))
    for row, victims, suffered in air.loads(z):
        found += air.breaches(z, row, victims, suffered)
    return tuple(found)


class _Plan:
    """The placed carriers as arrays, in the order of the document. Names that the problem does not know are passed over."""

    def __init__(self, problem: Problem, assignments: Mapping[str, int]) -> None:
        self.problem = problem
        self.assignments = assignments
        self.carriers: Sequence[Carrier] = [c for c in problem.carriers if c.id in assignments]
        self.ids = [carrier.id for carrier in self.carriers]
        self.n = len(self.carriers)
        self.number = {code: i for i, code in enumerate(self.ids)}
        self.hz: Ints = np.array([assignments[code] for code in self.ids], np.int64)
        self.fixed: Bools = np.array([c.fixed_hz is not None for c in self.carriers], bool)
        self.mixes: Bools = np.array([c.mixes for c in self.carriers], bool)
        self.level_db: Floats = np.array([c.level_db for c in self.carriers], float)
        self.level: Floats = np.array([linear(c.level_db) for c in self.carriers], float)
        self.on = self._marked(problem.slots, (c.slots for c in self.carriers))
        zones = [zone.id for zone in problem.zones]
        self.place = {code: z for z, code in enumerate(zones)}
        self._of_kinds: dict[frozenset[str] | None, Bools] = {}
        self._strongest: dict[int, Floats] = {}
        self.sent = self._marked(zones, (c.sent_from for c in self.carriers))
        self.received = self._marked(zones, (c.received_in for c in self.carriers))
        self.stands = self._marked(zones, (c.stands for c in self.carriers))

    def _marked(self, names: Sequence[str], rows: Iterable[Iterable[str]]) -> Bools:
        place = {name: k for k, name in enumerate(names)}
        marked = np.zeros((self.n, len(names)), bool)
        for i, row in enumerate(rows):
            marked[i, [place[name] for name in row]] = True
        return marked

    def of_kinds(self, kinds: frozenset[str] | None) -> Bools:
        if kinds not in self._of_kinds:
            self._of_kinds[kinds] = np.array([kinds is None or c.kind in kinds for c in self.carriers], bool)
        return self._of_kinds[kinds]

    def strongest_db(self, z: int) -> Floats:
        """How strongly a zone hears each carrier at its strongest; minus infinity where not at all."""
        if z not in self._strongest:
            zone = self.problem.zones[z]
            found = np.full(self.n, -np.inf)
            for code, level in zone.hears.items():
                found = np.maximum(found, np.where(self.sent[:, self.place[code]], level, -np.inf))
            if zone.passband:
                inside = [(band.low_hz <= self.hz) & (self.hz <= band.high_hz) for band in zone.passband]
                found[~np.logical_or.reduce(inside)] = -np.inf
            self._strongest[z] = found
        return self._strongest[z]

    @cached_property
    def classes(self) -> tuple[Ints, list[Carrier]]:
        """Carriers that separations cannot tell apart: the class of each, and one carrier of every class."""
        seen: dict[tuple[frozenset[str], str, int], int] = {}
        of = [seen.setdefault((c.stands, c.kind, c.bandwidth_hz), len(seen)) for c in self.carriers]
        first = dict(zip(reversed(of), reversed(self.carriers), strict=True))
        return np.array(of, np.int64), [first[k] for k in range(len(seen))]


# -- rules that know no place -----------------------------------------------------------------------


def _anywhere(plan: _Plan) -> Iterator[Breach]:
    yield from _fixed(plan)
    for carrier in plan.carriers:
        if carrier.fixed_hz is None:
            yield from _on_its_own(plan.problem, carrier, plan.assignments[carrier.id])
    yield from _pairs(plan)
    yield from _spans(plan)
    yield from _named_separations(plan)


def _fixed(plan: _Plan) -> Iterator[Breach]:
    for carrier in plan.problem.carriers:
        hertz = plan.assignments.get(carrier.id, 0)
        if carrier.fixed_hz is not None and hertz != carrier.fixed_hz:
            yield Breach("fixed", carrier.id, measured=hertz, limit=carrier.fixed_hz)


def _on_its_own(problem: Problem, carrier: Carrier, hertz: int) -> Iterator[Breach]:
    if not any(
        t.low_hz <= hertz <= t.high_hz and (hertz - t.low_hz) % t.step_hz == 0 for t in carrier.tuning
    ):
        yield Breach("raster", carrier.id, measured=hertz)
    low, high = 2 * hertz - carrier.bandwidth_hz, 2 * hertz + carrier.bandwidth_hz  # half hertz
    for row, blocked in enumerate(problem.blocked):
        when = blocked.slots is None or not blocked.slots.isdisjoint(carrier.slots)
        if (
            when
            and high > 2 * blocked.low_hz
            and low < 2 * blocked.high_hz
            and concerns(carrier, blocked.zones, blocked.kinds)
        ):
            yield Breach("blocked", carrier.id, (blocked.id,) if blocked.id else (), row, measured=hertz)


def _pairs(plan: _Plan) -> Iterator[Breach]:
    fixed = {c.id for c in plan.problem.carriers if c.fixed_hz is not None}
    for row, pair in enumerate(plan.problem.pairs):
        first, second = plan.assignments.get(pair.first), plan.assignments.get(pair.second)
        both = {pair.first, pair.second}
        if both <= fixed:
            continue
        if first is not None and second is not None:
            if second - first not in pair.offsets_hz:
                yield Breach(
                    "pair", pair.first, (pair.second,), row, measured=second - first, limit=pair.offset_hz
                )
        elif (first is None) != (second is None) and not both & fixed:
            placed, missing = (pair.first, pair.second) if second is None else (pair.second, pair.first)
            yield Breach("pair", placed, (missing,), row, limit=pair.offset_hz)


def _spans(plan: _Plan) -> Iterator[Breach]:
    for row, span in enumerate(plan.problem.spans):
        placed = sorted(
            (int(plan.hz[i]), i) for i in {plan.number[c] for c in span.carriers if c in plan.number}
        )
        if all(plan.fixed[i] for _, i in placed):
            continue
        (lowest, low), (highest, high) = placed[0], placed[-1]
        if highest - lowest > span.max_span_hz:
            yield Breach(
                "span",
                plan.ids[low],
                (plan.ids[high],),
                row,
                measured=highest - lowest,
                limit=span.max_span_hz,
            )


def _named(problem: Problem, treatment: str) -> dict[frozenset[str], list[tuple[int, Separation]]]:
    """The rows that name two carriers, by pair: they stand in place of all general rows of that treatment."""
    named: dict[frozenset[str], list[tuple[int, Separation]]] = defaultdict(list)
    for number, row in enumerate(problem.separations):
        if row.carriers is not None and row.treatment == treatment:
            named[frozenset(row.carriers)].append((number, row))
    return named


def _named_separations(plan: _Plan) -> Iterator[Breach]:
    for pair, rows in _named(plan.problem, "forbid").items():
        if not pair <= plan.number.keys():
            continue
        a, b = sorted(plan.number[code] for code in pair)
        if (plan.fixed[a] and plan.fixed[b]) or not (plan.on[a] & plan.on[b]).any():
            continue
        number, row = max(rows, key=lambda entry: entry[1].min_hz)
        apart = abs(int(plan.hz[a] - plan.hz[b]))
        if apart < row.min_hz:
            yield Breach("separation", plan.ids[a], (plan.ids[b],), number, measured=apart, limit=row.min_hz)


# -- separations by zone and kind -------------------------------------------------------------------


class _Matrix:
    """The general separation rows of one treatment, looked up by what two carriers are."""

    def __init__(self, problem: Problem, treatment: str) -> None:
        self.rows: dict[tuple[str, str, str, str], list[tuple[int, Separation]]] = defaultdict(list)
        for number, row in enumerate(problem.separations):
            if row.treatment != treatment or row.zones is None or row.kinds is None:
                continue
            (zone, other), (kind, counter) = row.zones, row.kinds
            ends = {(zone, kind, other, counter), (other, counter, zone, kind)}
            if zone == other:
                ends |= {(zone, counter, zone, kind), (zone, kind, zone, counter)}
            for end in ends:
                self.rows[end].append((number, row))

    def between(self, a: Carrier, b: Carrier) -> list[tuple[int, Separation]]:
        return [
            entry
            for zone in a.stands
            for other in b.stands
            for entry in self.rows.get((zone, a.kind, other, b.kind), ())
        ]


def _near_pairs(plan: _Plan, within_hz: int, concerned: Bools, on: Bools) -> Iterator[tuple[Ints, Ints]]:
    """Pairs nearer than a distance that share a slot, one of them concerned, not both fixed; in bounded lots."""
    order = np.argsort(plan.hz, kind="stable")
    order = order[on[order].any(axis=1)]
    hz = plan.hz[order]
    lot: list[tuple[Ints, Ints]] = []
    size = 0
    for k in range(1, len(order)):
        near = np.flatnonzero(hz[k:] - hz[:-k] < within_hz)
        if not len(near):
            break
        a, b = order[near], order[near + k]
        keep = (concerned[a] | concerned[b]) & ~(plan.fixed[a] & plan.fixed[b]) & (on[a] & on[b]).any(axis=1)
        lot.append((np.minimum(a, b)[keep], np.maximum(a, b)[keep]))
        size += int(keep.sum())
        if size > PAIRS_AT_ONCE:
            yield np.concatenate([a for a, _ in lot]), np.concatenate([b for _, b in lot])
            lot, size = [], 0
    if size:
        yield np.concatenate([a for a, _ in lot]), np.concatenate([b for _, b in lot])


def _by_class(
    plan: _Plan, a: Ints, b: Ints, named: Iterable[frozenset[str]]
) -> Iterator[tuple[Carrier, Carrier, Ints, Ints]]:
    """The pairs that no row names, gathered by what the two are: (one, other, the pairs a, b)."""
    known = [[plan.number[code] for code in pair] for pair in named if pair <= plan.number.keys()]
    codes = np.array([min(pair) * plan.n + max(pair) for pair in known], np.int64)
    free = ~np.isin(a * plan.n + b, codes)
    a, b = a[free], b[free]
    of, example = plan.classes
    kinds = of[a] * len(example) + of[b]
    order = np.argsort(kinds, kind="stable")
    for part in np.split(order, np.flatnonzero(np.diff(kinds[order])) + 1):
        if len(part):
            yield example[of[a[part[0]]]], example[of[b[part[0]]]], a[part], b[part]


def _separations(plan: _Plan, concerned: Bools, on: Bools) -> Iterator[Breach]:
    """Pairs too near by a general row, or whose occupied bands overlap where no row forbids anything."""
    matrix, named = _Matrix(plan.problem, "forbid"), _named(plan.problem, "forbid")
    widest = max((row.min_hz for rows in matrix.rows.values() for _, row in rows), default=0)
    widest = max(widest, max((c.bandwidth_hz for c in plan.carriers), default=0))
    for first, second in _near_pairs(plan, widest, concerned, on):
        for one, other, a, b in _by_class(plan, first, second, named):
            rows = matrix.between(one, other)
            row, need = None, 0.0
            if rows:
                row, strictest = max(rows, key=lambda entry: (entry[1].min_hz, -entry[0]))
                need = strictest.min_hz
            elif one.stands & other.stands:
                need = (one.bandwidth_hz + other.bandwidth_hz) / 2
            apart = np.abs(plan.hz[a] - plan.hz[b])
            for k in np.flatnonzero(apart < need):
                yield Breach(
                    "separation", plan.ids[a[k]], (plan.ids[b[k]],), row, measured=int(apart[k]), limit=need
                )


# -- what costs -------------------------------------------------------------------------------------


def _wishes(plan: _Plan) -> float:
    """For each pair the dearest wish that is not kept."""
    matrix, named = _Matrix(plan.problem, "penalise"), _named(plan.problem, "penalise")
    widest = max((row.min_hz for row in plan.problem.separations if row.treatment == "penalise"), default=0)
    total = 0.0
    for first, second in _near_pairs(plan, widest, np.ones(plan.n, bool), plan.on):
        for one, other, a, b in _by_class(plan, first, second, named):
            rows = matrix.between(one, other)
            total += float(_dearest(rows, np.abs(plan.hz[a] - plan.hz[b])).sum())
    for pair, rows in named.items():
        if pair <= plan.number.keys():
            i, j = (plan.number[code] for code in pair)
            if (plan.on[i] & plan.on[j]).any() and not (plan.fixed[i] and plan.fixed[j]):
                total += float(_dearest(rows, np.abs(plan.hz[[i]] - plan.hz[[j]])).sum())
    return total


def _dearest(rows: Iterable[tuple[int, Separation]], apart: Ints) -> Floats:
    dearest = np.zeros(len(apart))
    for _, row in rows:
        if row.min_hz:
            dearest = np.maximum(dearest, row.weight * (1 - apart / row.min_hz))
    return dearest


def _noise(plan: _Plan) -> float:
    total = 0.0
    for row in plan.problem.noise:
        level = np.array(row.level_dbm)
        for carrier, hertz in zip(plan.carriers, plan.hz, strict=True):
            heard = row.zones is None or not row.zones.isdisjoint(carrier.received_in)
            if carrier.fixed_hz is None and heard and (row.kinds is None or carrier.kind in row.kinds):
                total += row.weight * max(0.0, _highest(row, level, carrier, int(hertz)) - row.reference_dbm)
    return total


def _highest(row: Noise, level: Floats, carrier: Carrier, hertz: int) -> float:
    """The highest sample within the occupied band, ends included, or within half a step of the carrier."""
    width = max(carrier.bandwidth_hz, row.step_hz)
    first = -(-(2 * hertz - width - 2 * row.low_hz) // (2 * row.step_hz))
    last = (2 * hertz + width - 2 * row.low_hz) // (2 * row.step_hz)
    inside = level[max(first, 0) : max(last + 1, 0)]
    return float(inside.max()) if len(inside) else -np.inf


# -- products ---------------------------------------------------------------------------------------


class _Air:
    """What is on the air in at most 64 slots: which carriers mix with each other for a zone, and what lands where."""

    def __init__(self, plan: _Plan, slots: range) -> None:
        self.plan, self.slots = plan, slots
        self.on = plan.on[:, slots.start : slots.stop]
        self._ever = self.on.any(axis=1)
        self._sent_together: dict[int, Sources] = {}
        self._heard: dict[int, Sources] = {}

    def loads(self, z: int) -> Iterator[tuple[int, Ints, Floats]]:
        """(row, its victims received in a zone, loads[victims, slots]) for each product rule that is looked at."""
        plan, zone = self.plan, self.plan.problem.zones[z]
        here = plan.received[:, z] & self._ever
        if not here.any():
            return
        for row, rule in enumerate(plan.problem.products):
            if rule.treatment == "ignore" or (rule.zones is not None and zone.id not in rule.zones):
                continue
            victims = np.flatnonzero(here & plan.of_kinds(rule.kinds))
            if len(victims):
                yield row, victims, self._suffered(self._groups(z, rule.made_in), rule, victims)

    def _suffered(self, groups: list[tuple[float, Sources]], rule: ProductRule, victims: Ints) -> Floats:
        on = self.on[victims]
        load = np.zeros(on.shape)
        for gain, sources in groups:
            load += gain * sources.loads(rule.family, rule.guard_hz, victims, self.plan.hz[victims], on)
        return load

    def _groups(self, z: int, made_in: str) -> list[tuple[float, Sources]]:
        """The sets of carriers that mix with each other for a zone, with the gain of what they make."""
        if made_in == "receivers":
            return [(1.0, self._heard_together(z))]
        hears = self.plan.problem.zones[z].hears
        return [
            (linear(level), self._standing_together(self.plan.place[code])) for code, level in hears.items()
        ]

    def _heard_together(self, z: int) -> Sources:
        if z not in self._heard:
            plan, strongest_db = self.plan, self.plan.strongest_db(z)
            ids: Ints = np.flatnonzero(plan.mixes & self._ever & (strongest_db > -np.inf))
            level = 10 ** ((strongest_db[ids] + plan.level_db[ids]) / 10)
            self._heard[z] = Sources(ids, plan.hz[ids], level, self.on[ids])
        return self._heard[z]

    def _standing_together(self, k: int) -> Sources:
        if k not in self._sent_together:
            plan = self.plan
            ids: Ints = np.flatnonzero(plan.sent[:, k] & plan.mixes & self._ever)
            self._sent_together[k] = Sources(ids, plan.hz[ids], plan.level[ids], self.on[ids])
        return self._sent_together[k]

    def breaches(self, z: int, row: int, victims: Ints, suffered: Floats) -> Iterator[Breach]:
        """Loads over a forbidding row's limit; a fixed victim answers only for what movable carriers add."""
        plan, rule = self.plan, self.plan.problem.products[row]
        if rule.treatment != "forbid":
            return
        for v in np.flatnonzero((suffered > rule.limit).any(axis=1)):
            victim, limit = victims[[v]], np.full(suffered.shape[1], rule.limit)
            if plan.fixed[victim[0]]:
                groups = [(gain, group.only(plan.fixed)) for gain, group in self._groups(z, rule.made_in)]
                standing = self._suffered(groups, rule, victim)[0]
                limit += np.where(standing > rule.limit, standing, 0.0)
            for t in np.flatnonzero(suffered[v] > limit):
                yield Breach(
                    "product", plan.ids[victim[0]], self._culprits(z, rule, int(victim[0]), int(t)), row,
                    plan.problem.zones[z].id, plan.problem.slots[self.slots[t]], float(suffered[v, t]), float(limit[t]),
                )  # fmt: skip

    def _culprits(self, z: int, rule: ProductRule, v: int, t: int) -> tuple[str, ...]:
        """The carriers of the strongest product that hits a victim."""
        strongest: tuple[float, tuple[int, ...]] = (0.0, ())
        for gain, group in self._groups(z, rule.made_in):
            for weight, letters in group.strongest(rule.family, rule.guard_hz, v, int(self.plan.hz[v]), t):
                strongest = max(strongest, (gain * weight, letters))
        return tuple(self.plan.ids[i] for i in strongest[1])
