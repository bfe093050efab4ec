"""A proved lower bound on how many carriers must stay out, with its reason in words.

Sets of carriers are found of which a known number at least cannot be placed together:

- alone: nothing of the raster is left after what is blocked and what fixed carriers take;
- crowds: carriers that all owe each other a distance (or all suffer from each other's products), are on in one slot and
  tune within one stretch of spectrum. How many fit is bounded by the shortest rulers (`rulers`), and by the chain: each
  carrier takes a width of its own, and the widths do not overlap.

The sets overlap; the bound is the fractional packing of all of them, a linear programme. Only what every plan must obey is
used, so the bound holds whatever a search finds; it is 0 where no such set is short.
"""

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from apps.solver.arrays import Arrays
from apps.solver.problem import Problem, ProductRule, Tuning, Zone, linear
from apps.solver.result import Bound
from apps.solver.rulers import Rulers

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

MOST_ENDS = 24  # distinct edges of tuning ranges that are tried as ends of a stretch
MOST_SHORTAGES = 400
REASONS = 3


@dataclass(frozen=True)
class Shortage:
    """At least `out` of the `members` (numbers of carriers) must stay out, because `why`."""

    members: frozenset[int]
    out: int
    why: str


def lower_bound(problem: Problem, should_stop: Callable[[], bool] | None = None) -> Bound:
    """A number of carriers that every plan leaves out at the least, and why. Never more than the best plan leaves out.

    Asked to stop, it makes do with what it has found; that is proved too.
    """
    shortages = _Crowds(problem, should_stop or (lambda: False)).shortages()
    if not shortages:
        return Bound(0, "No set of carriers was found that cannot be placed together.")
    at_least, parts = _packed(shortages)
    reasons = [shortages[k].why for k in parts[:REASONS]]
    if len(parts) > REASONS:
        reasons.append(f"and {len(parts) - REASONS} more sets like these")
    return Bound(at_least, "; ".join(reasons) + ".")


def _packed(shortages: list[Shortage]) -> tuple[int, list[int]]:
    """The least total of carriers left out that satisfies every shortage, and which shortages make it so, largest first.

    By duality: weights on the shortages that give no carrier more than 1 in all prove the sum of weight · out.
    """
    carriers = sorted(set().union(*(shortage.members for shortage in shortages)))
    place = {code: k for k, code in enumerate(carriers)}
    covers = np.zeros((len(carriers), len(shortages)))
    for k, shortage in enumerate(shortages):
        covers[[place[code] for code in shortage.members], k] = 1
    out = np.array([shortage.out for shortage in shortages], float)
    from scipy.optimize import linprog  # noqa: PLC0415 - half a second that only a bound needs

    solved = linprog(-out, A_ub=covers, b_ub=np.ones(len(carriers)), bounds=(0, None))
    weight = np.clip(solved.x, 0, None) if solved.x is not None else np.eye(len(out))[int(out.argmax())]
    weight = weight / max(1.0, float((covers @ weight).max()))
    parts = [int(k) for k in np.argsort(-weight * out, kind="stable") if weight[k] > 1e-6]
    return max(math.ceil(float(weight @ out) - 1e-6), int(out.max())), parts


@dataclass(frozen=True)
class _Crowd:
    """Carriers that owe each other distances, or also (guards above 0) must not be hit by each other's products."""

    members: Ints
    two_hz: int
    three_hz: int
    what: str


class _Crowds:
    def __init__(self, problem: Problem, should_stop: Callable[[], bool]) -> None:
        self.problem, self.should_stop = problem, should_stop
        self.arrays = Arrays(problem)
        self._open: dict[tuple[object, ...], Ints] = {}
        self._rulers: dict[tuple[int, int, int], Rulers] = {}
        self.movable: Ints = np.flatnonzero(~self.arrays.fixed)

    def shortages(self) -> list[Shortage]:
        found, alone = self._alone()
        best: dict[frozenset[int], Shortage] = {}
        for crowd in self._crowds(alone):
            if self.should_stop():
                break
            for shortage in self._short(crowd):
                if shortage.members not in best or best[shortage.members].out < shortage.out:
                    best[shortage.members] = shortage
        ranked = sorted(best.values(), key=lambda shortage: (-shortage.out, len(shortage.members)))
        return found + ranked[:MOST_SHORTAGES]

    # -- what is open to a carrier ---------------------------------------------------------------

    def open_hz(self, i: int) -> Ints:
        """The points of a carrier's raster that neither blocked ranges nor fixed carriers take, in hertz, rising."""
        arrays, carrier = self.arrays, self.arrays.carriers[i]
        key: tuple[object, ...] = (int(arrays.kind_of[i]), carrier.tuning, carrier.slots)
        if i in arrays.named:
            key = (i,)
        if key not in self._open:
            points = arrays.raster(i)[arrays.open_points(i)]
            if arrays.fixed.any():
                need = arrays.needs_hz(i)
                for j in np.flatnonzero(arrays.fixed & (need > 0)):
                    points = points[np.abs(points - int(arrays.carriers[j].fixed_hz or 0)) >= need[j]]
            self._open[key] = points
        return self._open[key]

    def _alone(self) -> tuple[list[Shortage], set[int]]:
        """Carriers without an open point, and the partners of such carriers."""
        carriers = self.arrays.carriers
        alone = {int(i) for i in self.movable if not len(self.open_hz(int(i)))}
        found = [
            Shortage(
                frozenset([i]),
                1,
                f"{carriers[i].id} has no frequency that blocked ranges and fixed carriers leave",
            )
            for i in sorted(alone)
        ]
        waiting = list(alone)
        partners = defaultdict(list)
        for pair in self.problem.pairs:
            a, b = self.arrays.number[pair.first], self.arrays.number[pair.second]
            partners[a].append(b)
            partners[b].append(a)
        while waiting:
            i = waiting.pop()
            for j in partners[i]:
                if j not in alone and not self.arrays.fixed[j]:
                    alone.add(j)
                    waiting.append(j)
                    why = f"{carriers[j].id} has no place without its partner {carriers[i].id}"
                    found.append(Shortage(frozenset([j]), 1, why))
        return found, alone

    # -- who is in each other's way --------------------------------------------------------------

    def _crowds(self, without: set[int]) -> Iterator[_Crowd]:
        """Crowds by distance, one or more grown from each class of carriers, and crowds by products, at each place."""
        usable = np.array([i not in without and not self._asks_less(int(i)) for i in self.movable], bool)
        members = self.movable[usable]
        of = self.arrays.kind_of[members]
        near = self.arrays.spacing_hz > 0
        for classes in self._cliques(near, np.bincount(of, minlength=len(near))):
            inside = members[np.isin(of, classes)]
            zones = sorted({self.arrays.carriers[int(i)].zone for i in inside})
            yield _Crowd(inside, 0, 0, f"in {', '.join(zones)}")
        yield from self._by_products(members)

    def _asks_less(self, i: int) -> bool:
        """Whether a row that names the carrier asks for less than its zone and kind would."""
        kind = self.arrays.kind_of
        return any(
            hz < self.arrays.spacing_hz[kind[i], kind[j]] for j, hz in self.arrays.named.get(i, {}).items()
        )

    def _cliques(self, near: Bools, count: Ints) -> Iterator[list[int]]:
        """Sets of classes that all owe each other a distance: from each class, the most demanding neighbours first."""
        demand = count * self.arrays.spacing_hz.diagonal()
        seen = set()
        for seed in np.flatnonzero((count > 0) & (near.diagonal() | (count == 1))):
            for order in (demand, count, -np.abs(np.arange(len(count)) - seed)):
                clique = [int(seed)]
                free = near[seed] & (count > 0) & (near.diagonal() | (count == 1))
                free[seed] = False
                while free.any():
                    candidates = np.flatnonzero(free)
                    # Prefer those whose neighbours weigh most among what is still free.
                    weight = (near[np.ix_(candidates, candidates)] * demand[candidates]).sum(axis=1)
                    weight = order[candidates] if order is not demand else weight + demand[candidates]
                    pick = int(candidates[int(np.argmax(weight))])
                    clique.append(pick)
                    free &= near[pick]
                    free[pick] = False
                for classes in ([int(seed)], sorted(clique)):
                    if (key := frozenset(classes)) not in seen:
                        seen.add(key)
                        yield classes

    def _by_products(self, members: Ints) -> Iterator[_Crowd]:
        """At each place: carriers received there of which any two or three make a product over the limit for any other."""
        for zone in self.problem.zones:
            guards: dict[frozenset[int], dict[str, int]] = defaultdict(dict)
            for rule in self.problem.products:
                if rule.treatment != "forbid" or rule.family not in ("2A-B", "A+B-C"):
                    continue
                if rule.zones is not None and zone.id not in rule.zones:
                    continue
                for group in self._suffering(rule, zone.id, members):
                    held = guards[frozenset(int(i) for i in group)]
                    held[rule.family] = max(held.get(rule.family, 0), rule.guard_hz)
            for ids in list(guards):  # whoever is in a larger group suffers what that one suffers
                for others in guards:
                    if ids < others:
                        for family, guard in guards[others].items():
                            guards[ids][family] = max(guards[ids].get(family, 0), guard)
            for ids, held in guards.items():
                what = f"received in {zone.id} and free of {' and '.join(sorted(held))}"
                yield _Crowd(np.array(sorted(ids), np.int64), held.get("2A-B", 0), held.get("A+B-C", 0), what)

    def _suffering(self, rule: ProductRule, zone: str, members: Ints) -> Iterator[Ints]:
        carriers = self.arrays.carriers
        place = next(z for z in self.problem.zones if z.id == zone)
        here = [
            int(i)
            for i in members
            if zone in carriers[i].received_in
            and carriers[i].mixes
            and (rule.kinds is None or carriers[i].kind in rule.kinds)
        ]
        if rule.made_in == "transmitters":
            for k, heard in place.hears.items():
                yield np.array(
                    [
                        i for i in here
                        if k in carriers[i].sent_from and linear(heard + 3 * carriers[i].level_db) > rule.limit
                    ],
                    np.int64,
                )  # fmt: skip
            return
        loud = []
        for i in here:
            heard_db = [place.hears[k] for k in carriers[i].sent_from if k in place.hears]
            if not heard_db or not self._heard_everywhere(place, self.open_hz(i)):
                continue
            if linear(3 * (max(heard_db) + carriers[i].level_db)) > rule.limit:
                loud.append(i)
        yield np.array(loud, np.int64)

    @staticmethod
    def _heard_everywhere(place: Zone, points: Ints) -> bool:
        """Whether a passband lets every one of some frequencies in."""
        inside = [(band.low_hz <= points) & (points <= band.high_hz) for band in place.passband]
        return not inside or bool(np.logical_or.reduce(inside).all())

    # -- how many of a crowd fit -----------------------------------------------------------------

    def _short(self, crowd: _Crowd) -> Iterator[Shortage]:
        """For each stretch of spectrum and slot: how many of those who can tune nowhere else are too many."""
        if len(crowd.members) < 2:
            return
        on, first_slot = np.unique(self.arrays.on[crowd.members], axis=1, return_index=True)
        for inside, points in self._stretches(crowd.members):
            if self.should_stop():
                return
            present = on[inside]
            stretch = _Stretch(self, crowd.members[inside], points)
            out = stretch.out(present, crowd.two_hz, crowd.three_hz)
            for t in np.flatnonzero(out > 0):
                who = stretch.members[present[:, t]]
                where = f"between {points[0] / 1e6:.10g} and {points[-1] / 1e6:.10g} MHz"
                yield Shortage(
                    frozenset(int(i) for i in who),
                    int(out[t]),
                    f"of the {len(who)} carriers {crowd.what} that are on in {self.problem.slots[int(first_slot[t])]} "
                    f"and tune only {where}, at most {len(who) - out[t]} fit",
                )

    def _stretches(self, members: Ints) -> Iterator[tuple[Bools, Ints]]:
        """Each stretch from the lowest point of one carrier to the highest of another: who tunes only there, on which points."""
        mine = [self.open_hz(int(i)) for i in members]
        low = np.array([points[0] for points in mine])
        high = np.array([points[-1] for points in mine])
        points = _union({id(points): points for points in mine}.values())
        for start in _some(np.unique(low)):
            for end in _some(np.unique(high[high >= start])):
                inside = (low >= start) & (high <= end)
                if inside.sum() > 1 and low[inside].min() == start and high[inside].max() == end:
                    yield (
                        inside,
                        points[np.searchsorted(points, start) : np.searchsorted(points, end, "right")],
                    )

    def rulers(self, spacing: int, two: int, three: int) -> Rulers:
        key = (spacing, two, three)
        if key not in self._rulers:
            self._rulers[key] = Rulers(*key, should_stop=self.should_stop)
        return self._rulers[key]


class _Stretch:
    """Carriers that can tune only within one stretch of spectrum, and the points that are open to any of them there."""

    def __init__(self, crowds: _Crowds, members: Ints, points: Ints) -> None:
        self.crowds, self.members, self.points = crowds, members, points
        arrays = crowds.arrays
        self.kinds, count = np.unique(arrays.kind_of[members], return_counts=True)
        need = arrays.spacing_hz[np.ix_(self.kinds, self.kinds)].astype(np.int64)
        self.step_hz = _common_step([arrays.carriers[int(i)].tuning for i in members])
        # Two distances on one raster differ by whole steps, so a need is as good as the next whole step.
        self.need = -(-need // self.step_hz)
        counted = self.need + np.where(np.eye(len(count), dtype=bool) & (count == 1), 10**12, 0)
        self.spacing = int(min(counted.min(), 10**12)) if len(members) > 1 else 0

    def _lengths(self, apart: float) -> tuple[Ints, Ints]:
        """The runs of open points, cut wherever the next one is at least so far away: their lengths, how many of each."""
        cuts = np.flatnonzero(np.diff(self.points) >= apart * self.step_hz)
        starts = self.points[np.concatenate([[0], cuts + 1])]
        ends = self.points[np.concatenate([cuts, [len(self.points) - 1]])]
        return np.unique((ends - starts) // self.step_hz, return_counts=True)

    def out(self, present: Bools, two_hz: int, three_hz: int) -> Ints:
        """How many are too many in each slot; `present` has shape (members, slots)."""
        count = present.sum(axis=0)
        if self.spacing < 1:
            return np.zeros_like(count)
        if two_hz or three_hz:
            return np.asarray(count - self._mixing(two_hz, three_hz, int(count.max())))
        lengths, times = self._lengths(self.spacing)
        out = count - int(times @ (lengths // self.spacing + 1))
        room = times @ (lengths + self.spacing)
        kinds = self.crowds.arrays.kind_of[self.members]
        each = np.array([present[kinds == kind].sum(axis=0) for kind in self.kinds])
        for t in np.flatnonzero(self.need.diagonal() @ each > room):
            out[t] = max(out[t], self._chained(each[:, t]))
        return np.asarray(out)

    def _mixing(self, two_hz: int, three_hz: int, most: int) -> int:
        """How many fit at the best, of those that suffer from each other's products."""
        lengths, times = self._lengths(self.spacing)
        whole = int(self.points[-1] - self.points[0]) // self.step_hz
        rulers = self.crowds.rulers(self.spacing, -(-two_hz // self.step_hz), -(-three_hz // self.step_hz))
        held = most
        # The first is cheap and spares the second wherever nothing is short.
        for count in (rulers.surely_holds, rulers.holds):
            held = min(
                count(whole, most), sum(n * count(int(k), most) for k, n in zip(lengths, times, strict=True))
            )
            if held >= most:
                return most
        return held

    def _chained(self, count: Ints) -> int:
        """How many of each kind's count must go for the rest to fit side by side, each as wide as it needs."""
        width = widths(count, self.need)
        lengths, times = self._lengths(width.max())
        each = np.sort(np.repeat(width, count))
        return len(each) - int(
            np.searchsorted(np.cumsum(each), times @ (lengths + width.max()) + 1e-9, "right")
        )


def widths(count: Ints, need: Ints) -> NDArray[np.float64]:
    """A width for each kind so that any two neighbours need at least half of both; as wide as possible in all."""
    pairs = [(a, b) for a in range(len(count)) for b in range(a, len(count)) if count[a] and count[b]]
    rows = np.zeros((len(pairs), len(count)))
    for row, (a, b) in enumerate(pairs):
        rows[row, a] += 0.5
        rows[row, b] += 0.5
    needed = np.array([need[a, b] for a, b in pairs], float)
    from scipy.optimize import linprog  # noqa: PLC0415 - half a second that only a bound needs

    solved = linprog(-count.astype(float), A_ub=rows, b_ub=needed, bounds=(0, None))
    half = need.min() / 2.0
    width = np.floor(solved.x * 4 + 1e-6) / 4 if solved.x is not None else np.full(len(count), 2 * half)
    kept = all((width[a] + width[b]) / 2 <= least for (a, b), least in zip(pairs, needed, strict=True))
    return np.where(count > 0, width if kept else 2 * half, 0.0)


def _union(parts: Iterable[Ints]) -> Ints:
    """Every value of some arrays once, rising."""
    values = np.sort(np.concatenate(list(parts)))
    return np.asarray(values[np.concatenate([[True], values[1:] != values[:-1]])])


def _some(edges: Ints) -> Ints:
    """At most so many of the edges, the outermost among them."""
    if len(edges) <= MOST_ENDS:
        return edges
    return np.asarray(edges[np.linspace(0, len(edges) - 1, MOST_ENDS).round().astype(int)])


def _common_step(tunings: Iterable[tuple[Tuning, ...]]) -> int:
    """The largest step on which every point of some rasters lies."""
    step, base = 0, None
    for tuning in set(tunings):
        for part in tuning:
            base = part.low_hz if base is None else base
            step = math.gcd(step, part.low_hz - base, part.step_hz if part.points > 1 else 0)
    return max(step, 1)
