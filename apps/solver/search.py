"""The search: every state is a valid plan. Construct, then bring back what was left out, then move what costs most.

Units are single carriers or duplex pairs. Construction takes carriers that are on all day first, while every slot is
alike and one row serves them all, then the rest; within that, the most constrained first. What finds no clean point is
brought back by ejection: a few neighbours are taken off, the carrier placed, and the neighbours placed again; a round is
kept only if the plan gets better in the objective's order (ruin and recreate; Schrimpf et al. 2000, from memory).
"""

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from apps.solver.air import Air, Unsupported
from apps.solver.arrays import Arrays, Bools, Floats, Ints
from apps.solver.problem import Problem
from apps.solver.result import Progress

TRIES = 40  # points of a raster that are recounted exactly before a unit is given up for now
ROUNDS_WITHOUT_GAIN = 30


@dataclass(frozen=True)
class Unit:
    """What is placed together: one carrier, or two at an offset (the second's place above the first's, in hertz)."""

    first: int
    second: int | None = None
    offsets_hz: tuple[int, ...] = ()

    @property
    def members(self) -> tuple[int, ...]:
        return (self.first,) if self.second is None else (self.first, self.second)


class Stopped(Exception):
    """The deadline passed or somebody asked to stop."""


class Search:
    """A plan in the making, with everything that must follow each move."""

    def __init__(
        self,
        problem: Problem,
        *,
        seed: int,
        deadline: float,
        should_stop: Callable[[], bool] | None = None,
        on_progress: Callable[[Progress], None] | None = None,
    ) -> None:
        self.problem = problem
        self.arrays = Arrays(problem)
        self.air = Air(self.arrays)
        self.random = np.random.default_rng(seed)
        self.deadline, self.should_stop, self.on_progress = deadline, should_stop, on_progress
        self.hz: Ints = np.zeros(self.arrays.n, np.int64)  # 0: not placed
        self.stopped = "no better found"
        self._spans = self._spans_of_carriers()
        self._needs: dict[int, Ints] = {}
        self._suffering: dict[int, float] = {}
        self.units = self._units()

    # -- what there is to place -----------------------------------------------------------------

    def _units(self) -> list[Unit]:
        number, fixed = self.arrays.number, self.arrays.fixed
        paired: dict[int, Unit] = {}
        self.anchored: dict[int, list[tuple[int, tuple[int, ...]]]] = {}
        for pair in self.problem.pairs:
            a, b = number[pair.first], number[pair.second]
            if fixed[a] and fixed[b]:
                continue
            if fixed[a] or fixed[b]:
                # The fixed end stays; the other sits at the offset from it or nowhere.
                end, free = (a, b) if fixed[a] else (b, a)
                at = [self._fixed_hz(end) + (o if end == a else -o) for o in pair.offsets_hz]
                self.anchored.setdefault(free, []).append((end, tuple(at)))
                continue
            if a in paired or b in paired:
                raise Unsupported(
                    f"pairs: {pair.first} and {pair.second} share a carrier with another pair; not obeyed yet"
                )
            paired[a] = paired[b] = Unit(a, b, pair.offsets_hz)
        units = {id(unit): unit for unit in paired.values()}
        singles = [Unit(i) for i in range(self.arrays.n) if i not in paired and not fixed[i]]
        return [*units.values(), *singles]

    def _fixed_hz(self, i: int) -> int:
        hertz = self.arrays.carriers[i].fixed_hz
        assert hertz is not None
        return hertz

    def _spans_of_carriers(self) -> dict[int, list[tuple[list[int], int]]]:
        found: dict[int, list[tuple[list[int], int]]] = {}
        for span in self.problem.spans:
            members = [self.arrays.number[code] for code in span.carriers]
            for i in members:
                found.setdefault(i, []).append((members, span.max_span_hz))
        return found

    # -- placing --------------------------------------------------------------------------------

    def place_fixed(self) -> None:
        """Fixed carriers stand where they are, whatever that breaks."""
        for i in np.flatnonzero(self.arrays.fixed):
            self._put(int(i), self._fixed_hz(int(i)))

    def _put(self, i: int, hertz: int) -> None:
        self.hz[i] = hertz
        if self.arrays.on_axis[i]:
            self.air.add(i, hertz)

    def _lift(self, i: int) -> None:
        if self.arrays.on_axis[i]:
            self.air.remove(i, int(self.hz[i]))
        self.hz[i] = 0

    def lift(self, unit: Unit) -> tuple[int, ...]:
        """Take a unit off; returns where it was."""
        was = tuple(int(self.hz[i]) for i in unit.members)
        for i in unit.members:
            self._lift(i)
        return was

    def put(self, unit: Unit, hertz: tuple[int, ...]) -> None:
        for i, at in zip(unit.members, hertz, strict=True):
            self._put(i, at)

    def needs(self, i: int) -> Ints:
        if i not in self._needs:
            self._needs[i] = self.arrays.needs_hz(i)
        return self._needs[i]

    def separated(self, i: int, raster: Ints) -> Bools:
        """Which points of a raster keep their distance to everybody who is placed."""
        need = self.needs(i)
        others = np.flatnonzero((need > 0) & (self.hz > 0))
        others = others[others != i]
        steps = np.zeros(len(raster) + 1, np.int64)
        np.add.at(steps, np.searchsorted(raster, self.hz[others] - need[others], "right"), 1)
        np.add.at(steps, np.searchsorted(raster, self.hz[others] + need[others], "left"), -1)
        return np.asarray(np.cumsum(steps[:-1]) <= 0)

    def permitted(self, i: int) -> Bools:
        """Which points of the raster no rule but those of products takes away, the others being where they are."""
        raster = self.arrays.raster(i)
        free = self.arrays.open_points(i) & self.separated(i, raster)
        for members, width in self._spans.get(i, ()):
            placed = [int(self.hz[j]) for j in members if j != i and self.hz[j]]
            if placed:
                free &= (raster >= max(placed) - width) & (raster <= min(placed) + width)
        for _, at in self.anchored.get(i, ()):
            free &= np.isin(raster, at)
        return free

    def surveyed(self, i: int, free: Bools) -> tuple[Bools, Floats]:
        """Of the permitted points, those that products leave clean, and what every point costs."""
        raster = self.arrays.raster(i)
        cost = np.zeros(len(raster))
        at = np.flatnonzero(free)
        if not len(at):
            return free, cost
        clean = np.ones(len(at), bool)
        if self.arrays.on_axis[i]:
            points, bins = raster[at], self.arrays.bins(raster[at])
            by_place: dict[int, Floats] = {}
            for row in self.air.rows_of(i):
                price = np.zeros(len(at))
                row.survey(i, points, bins, clean, price)
                # A carrier pays for its worst load only: of the slots of one place the dearest counts.
                by_place[row.place] = (
                    np.maximum(by_place[row.place], price) if row.place in by_place else price
                )
            for price in by_place.values():
                cost[at] += price
        noise = self.arrays.noise(i)
        if noise is not None:
            cost += noise
        self._add_wishes(i, raster, cost)
        left = free.copy()
        left[at] = clean
        return left, cost

    def _add_wishes(self, i: int, raster: Ints, cost: Floats) -> None:
        if not self.arrays.wishes and not self.arrays.named_wishes:
            return
        mine = self.arrays.kind_of[i]
        named = self.arrays.named_wishes.get(i, {})
        together = self.arrays.on @ self.arrays.on[i]
        for j in np.flatnonzero((self.hz > 0) & together):
            rows = named.get(int(j)) or self.arrays.wishes.get((int(mine), int(self.arrays.kind_of[j])))
            if j == i or not rows:
                continue
            widest = max(width for width, _ in rows)
            low, high = np.searchsorted(raster, [self.hz[j] - widest, self.hz[j] + widest])
            apart = np.abs(raster[low:high] - self.hz[j])
            dearest = np.zeros(high - low)
            for width, weight in rows:
                dearest = np.maximum(dearest, weight * (1 - apart / width))
            cost[low:high] += dearest

    def clean_at(self, i: int, hertz: int) -> bool:
        """Exactly: neither suffers nor causes more than a forbidding rule allows."""
        if not self.arrays.on_axis[i]:
            return True
        for row in self.air.rows_of(i):
            for rule, whom in row.victims.items():
                if self.air.rules[rule].treatment != "forbid":
                    continue
                own = row.suffered(rule, i, hertz) if self.air.protects(rule, row.place, i) else 0.0
                if own > self.air.slack_of(rule, i, 0.0):
                    return False
                added = row.added(rule, i, hertz)
                if any(
                    load > max(whom.slack[v], 0.0) for v, load in zip(whom.ids, added, strict=True) if load
                ):
                    return False
        return True

    def place(self, unit: Unit, *, spread: bool = True) -> bool:
        """Put a unit at its cheapest clean point (or the lowest, packed), if there is one."""
        stay = tuple(self.arrays.carriers[i].previous_hz for i in unit.members)
        if unit.second is None:
            return self._place_single(unit, stay[0], spread)
        return self._place_pair(unit, stay, spread)

    def _place_single(self, unit: Unit, stay: int | None, spread: bool) -> bool:
        i = unit.first
        clean, cost = self.surveyed(i, self.permitted(i))
        raster = self.arrays.raster(i)
        for at in self._in_order(np.flatnonzero(clean), cost, raster, stay, spread):
            if self.clean_at(i, int(raster[at])):
                self._put(i, int(raster[at]))
                return True
        return False

    def _place_pair(self, unit: Unit, stay: tuple[int | None, ...], spread: bool) -> bool:
        a, b = unit.first, unit.second
        assert b is not None
        ours, theirs = self.arrays.raster(a), self.arrays.raster(b)
        clean_a, cost_a = self.surveyed(a, self.permitted(a))
        clean_b, cost_b = self.surveyed(b, self.permitted(b))
        for offset in unit.offsets_hz:
            if self.needs(a)[b] > abs(offset):
                continue
            partner = np.searchsorted(theirs, ours + offset).clip(0, max(len(theirs) - 1, 0))
            if not len(theirs):
                return False
            both = clean_a & (theirs[partner] == ours + offset) & clean_b[partner]
            cost = cost_a + cost_b[partner]
            wanted = stay[0] if stay[0] is not None and stay[1] == stay[0] + offset else None
            for at in self._in_order(np.flatnonzero(both), cost, ours, wanted, spread):
                first, second = int(ours[at]), int(ours[at]) + offset
                if not self.clean_at(a, first):
                    continue
                self._put(a, first)
                if self._within_spans(b, second) and self.clean_at(b, second):
                    self._put(b, second)
                    return True
                self._lift(a)
        return False

    def _within_spans(self, i: int, hertz: int) -> bool:
        for members, width in self._spans.get(i, ()):
            placed = [int(self.hz[j]) for j in members if j != i and self.hz[j]]
            if placed and max(*placed, hertz) - min(*placed, hertz) > width:
                return False
        return True

    def _in_order(
        self, at: Ints, cost: Floats, raster: Ints, stay: int | None, spread: bool
    ) -> Iterable[int]:
        """Points to try: where it was, then by cost (rounded, lowest frequency first) or from the bottom."""
        if not len(at):
            return []
        if stay is not None:
            place = int(np.searchsorted(raster, stay))
            if place < len(raster) and raster[place] == stay and place in at:
                return [place, *self._in_order(at[at != place], cost, raster, None, spread)]
        if not spread:
            return [int(x) for x in at[:TRIES]]
        price = np.round(cost[at], 9)
        if len(at) > TRIES:
            nearest = np.argpartition(price, TRIES)[:TRIES]
            worst = price[nearest].max()
            at, price = at[price <= worst], price[price <= worst]
        return [int(x) for x in at[np.argsort(price, kind="stable")][: 4 * TRIES]]

    # -- the three phases -------------------------------------------------------------------------

    def order(self) -> list[Unit]:
        """Those who were somewhere first, then who is on all day; then by priority of need and few options."""
        arrays = self.arrays

        def key(unit: Unit) -> tuple[bool, bool, int, float, float]:
            i = unit.first
            options = float(np.count_nonzero(arrays.open_points(i)))
            crowd = float(np.count_nonzero(self.needs(i)))
            was = all(arrays.carriers[j].previous_hz is not None for j in unit.members)
            last = min(arrays.carriers[j].priority for j in unit.members) >= 9
            return (
                not was,
                not bool(arrays.all_day[list(unit.members)].all()),
                int(last),
                options / (1 + crowd),
                self.random.random(),
            )

        return sorted(self.units, key=key)

    def construct(self, *, spread: bool = True) -> None:
        """Place every unit once, where it finds a clean point."""
        units = self.order()
        for done, unit in enumerate(units):
            self._breathe("placing", done / max(1, len(units)) * 0.6)
            self.place(unit, spread=spread)

    def left(self) -> list[Unit]:
        """Units without a place."""
        return [unit for unit in self.units if not self.hz[unit.first]]

    def fill(self) -> None:
        """Leave nobody out who has a clean point: struck points are recounted one by one where victims share the blame."""
        for unit in self.left():
            if self.place(unit) or unit.second is not None:
                continue
            i = unit.first
            free = self.permitted(i)
            clean, cost = self.surveyed(i, free)
            raster = self.arrays.raster(i)
            doubtful = np.flatnonzero(free & ~clean)
            if not self.air.doubtful(i):
                continue
            for at in doubtful[np.argsort(cost[doubtful], kind="stable")]:
                if self.clean_at(i, int(raster[at])):
                    self._put(i, int(raster[at]))
                    break

    def rank(self, left: Iterable[Unit]) -> tuple[int, ...]:
        """What is minimised first: how many of priority 1 are left out, then of 2, …; then how many moved."""
        out = [0] * 9
        for unit in left:
            for i in unit.members:
                out[self.arrays.carriers[i].priority - 1] += 1
        return (*out, self.moved())

    def moved(self) -> int:
        return sum(
            1
            for i, carrier in enumerate(self.arrays.carriers)
            if carrier.previous_hz is not None
            and self.hz[i]
            and self.hz[i] != carrier.previous_hz
            and not self.arrays.fixed[i]
        )

    def bring_back(self) -> None:
        """Ejection: take off some who stand in a left-out unit's way, place it, place them again; keep what is better."""
        unit_of = {i: unit for unit in self.units for i in unit.members}
        left = [unit for unit in self.left() if self.arrays.open_points(unit.first).any()]
        idle = 0
        while left and idle < ROUNDS_WITHOUT_GAIN + 10 * len(left):
            self._breathe("bringing back", 0.6 + 0.2 * min(1.0, idle / ROUNDS_WITHOUT_GAIN), len(left))
            left.sort(
                key=lambda unit: (
                    min(self.arrays.carriers[i].priority for i in unit.members),
                    self.random.random(),
                )
            )
            target = left[0] if idle % 3 == 0 else left[int(self.random.integers(len(left)))]
            before = self.rank(left)
            gone = self._in_the_way(target, unit_of, 1 + int(self.random.integers(1, 6)))
            was = {id(unit): self.lift(unit) for unit in gone}
            queue = [target, *gone, *(unit for unit in left if unit is not target)]
            still = [unit for unit in queue if not self.place(unit, spread=bool(self.random.random() < 0.5))]
            if self.rank(still) <= before:
                idle = 0 if self.rank(still) < before else idle + 1
                left = still
                continue
            idle += 1
            for unit in queue:
                if unit not in still:
                    self.lift(unit)
            for unit in gone:
                self.put(unit, was[id(unit)])

    def _in_the_way(self, target: Unit, unit_of: dict[int, Unit], count: int) -> list[Unit]:
        """Placed units that share time and place with the target, nearest to a point that few of them take."""
        i = target.first
        raster = self.arrays.raster(i)[self.arrays.open_points(i)]
        if not len(raster):
            return []
        around = int(raster[self.random.integers(len(raster))])
        near = np.zeros(self.arrays.n, bool)
        for row in self.air.rows_of(i):
            near[row.ids] = True
        near |= self.needs(i) > 0
        near &= (self.hz > 0) & (self.arrays.on @ self.arrays.on[i])
        near[i] = False
        others = [int(j) for j in np.flatnonzero(near) if int(j) in unit_of]
        others.sort(key=lambda j: abs(int(self.hz[j]) - around))
        reach = others[: 2 * count]
        picked: Ints = self.random.permutation(len(reach))[: min(count, len(reach))]
        return list({id(unit_of[reach[int(p)]]): unit_of[reach[int(p)]] for p in picked}.values())

    def improve(self) -> None:
        """Move single units to cheaper points, dearest first, as long as moves pay for themselves."""
        for _ in range(2):
            before = self.weigh()
            priced = sorted(
                ((self._price(unit), k) for k, unit in enumerate(self.units) if self.hz[unit.first]),
                reverse=True,
            )
            dear = [k for price, k in priced[: max(20, len(priced) // 10)] if price > 1e-9]
            for done, k in enumerate(dear):
                self._breathe("moving", 0.8 + 0.18 * done / len(dear))
                self._move(self.units[k])
            if self.weigh() > 0.97 * before:
                return

    def _price(self, unit: Unit) -> float:
        """What a unit suffers where it stands, by the rules that cost."""
        total = 0.0
        for i in unit.members:
            noise = self.arrays.noise(i)
            if noise is not None:
                total += float(noise[np.searchsorted(self.arrays.raster(i), self.hz[i])])
        return total + self._suffering.get(unit.first, 0.0)

    def weigh(self) -> float:
        """The penalty of penalised products as it stands; remembers who pays how much."""
        self._suffering = {}
        total = 0.0
        for rule, law in enumerate(self.problem.products):
            if law.treatment != "penalise":
                continue
            worst = self.worst_loads(rule)
            for i, (load, _, _) in worst.items():
                if load > law.limit:
                    self._suffering[i] = self._suffering.get(i, 0.0) + law.weight * load
                    total += law.weight * load
        return total

    def worst_loads(self, rule: int) -> dict[int, tuple[float, int, int]]:
        """{victim: (load, place, slot)} where it is worst under a rule."""
        worst: dict[int, tuple[float, int, int]] = {}
        for z, t, row in self.air.each_row():
            whom = row.victims.get(rule)
            if whom is None or not whom.ids:
                continue
            for i, load in zip(whom.ids, row.loads(rule), strict=True):
                if i not in worst or load > worst[i][0]:
                    worst[i] = (float(load), z, t)
        return worst

    def _move(self, unit: Unit) -> float:
        """Lift a unit and put it down at its cheapest clean point; returns the estimated gain."""
        if any(self.arrays.carriers[i].previous_hz == self.hz[i] for i in unit.members):
            return 0.0
        was = self.lift(unit)
        if unit.second is not None:
            if not self.place(unit):
                self.put(unit, was)
            return 0.0
        i = unit.first
        clean, cost = self.surveyed(i, self.permitted(i))
        raster = self.arrays.raster(i)
        here = int(np.searchsorted(raster, was[0]))
        for at in self._in_order(np.flatnonzero(clean), cost, raster, None, True):
            if cost[at] >= cost[here] - 1e-9:
                break
            if self.clean_at(i, int(raster[at])):
                self._put(i, int(raster[at]))
                return float(cost[here] - cost[at])
        self._put(i, was[0])
        return 0.0

    def _breathe(self, stage: str, share: float, left: int = 0) -> None:
        if self.should_stop is not None and self.should_stop():
            self.stopped = "cancelled"
            raise Stopped
        if time.monotonic() > self.deadline:
            self.stopped = "deadline"
            raise Stopped
        if self.on_progress is not None:
            placed = int(np.count_nonzero(self.hz))
            self.on_progress(Progress(stage, placed, left, 0.0, share))
