"""The search: every state is a valid plan. Construct, bring back what was left out, then move what costs most.

What is placed together is a unit: one carrier, or those that duplex pairs tie to each other. Construction takes carriers that
are on all day first, while every slot is alike and one row of the maps serves them all; within that, the most constrained
first. What finds no clean point is brought back by ejection: it takes the point at which fewest others stand in its way, they
are taken off and placed again, and a round is kept only if the plan gets no worse in the objective's order (ruin and recreate,
Schrimpf et al. 2000, J. Comput. Phys. 159; ejection as in PartialCol, Blöchliger & Zufferey 2008; both from memory).
"""

import time
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import groupby, product

import numpy as np

from apps.solver import channels, marks
from apps.solver.air import MEMORY_BYTES, Air
from apps.solver.arrays import Arrays, Bools, Floats, Ints
from apps.solver.problem import Problem
from apps.solver.result import Progress

TRIES = 40  # points of a raster that are judged before a unit is given up for now
IDLE_ROUNDS = 60
LAYOUTS = 64
EARLY = 0.2  # share of the time that may pass before all who are on all day are settled
LATE = 0.6  # share of the time after which points are taken as they come, not by their price


@dataclass(frozen=True)
class Unit:
    """What is placed together. Each layout gives every member's distance from the first, in hertz."""

    members: tuple[int, ...]
    layouts: tuple[tuple[int, ...], ...] = ((0,),)

    @property
    def first(self) -> int:
        return self.members[0]

    def seen_from(self, i: int) -> "Unit":
        """The same unit with carrier i as its first member."""
        at = self.members.index(i)
        order = [at, *(k for k in range(len(self.members)) if k != at)]
        turned = tuple(tuple(layout[k] - layout[at] for k in order) for layout in self.layouts)
        return Unit(tuple(self.members[k] for k in order), turned)


class Stopped(Exception):
    """The deadline passed or somebody asked to stop."""


class Search:
    """A plan in the making, with everything that must follow each move."""

    def __init__(
        self,
        problem: Problem,
        *,
        seed: int = 0,
        deadline: float = float("inf"),
        should_stop: Callable[[], bool] | None = None,
        on_progress: Callable[[Progress], None] | None = None,
        readers: Iterable[int] | None = None,
        slots: Ints | None = None,
        arrays: Arrays | None = None,
        standing: Ints | None = None,
        memory_bytes: int = MEMORY_BYTES,
    ) -> None:
        self.problem = problem
        self.arrays = Arrays(problem) if arrays is None else arrays
        self.air = Air(
            self.arrays, readers=readers, slots=slots, standing=standing, memory_bytes=memory_bytes
        )
        self.random = np.random.default_rng(seed)
        self._began = time.monotonic()
        self.deadline, self.should_stop, self.on_progress = deadline, should_stop, on_progress
        self.hz: Ints = np.zeros(self.arrays.n, np.int64)  # 0: not placed
        self.stopped = "no better found"
        self.spans = self._spans_of_carriers()
        self.because: dict[int, int] = {}  # carriers that moved, and for whose sake
        self._needs: dict[int, Ints] = {}
        self.units = self._units()
        self.unit_of = {i: unit for unit in self.units for i in unit.members}

    # -- what there is to place -----------------------------------------------------------------

    def _units(self) -> list[Unit]:
        """Movable carriers, tied together by their duplex pairs."""
        number, fixed = self.arrays.number, self.arrays.fixed
        ties: dict[int, list[tuple[int, tuple[int, ...]]]] = {}
        self.anchored: dict[int, list[tuple[int, tuple[int, ...]]]] = {}
        for pair in self.problem.pairs:
            a, b = number[pair.first], number[pair.second]
            back = tuple(-offset for offset in pair.offsets_hz)
            for end, other, offsets in ((a, b, pair.offsets_hz), (b, a, back)):
                if fixed[end] and not fixed[other]:
                    # The fixed end stays; the other sits at the offset from it or nowhere.
                    at = tuple(self.fixed_hz(end) + offset for offset in offsets)
                    self.anchored.setdefault(other, []).append((end, at))
                elif not fixed[end] and not fixed[other]:
                    ties.setdefault(end, []).append((other, offsets))
        units, seen = [], set(np.flatnonzero(fixed).tolist())
        for i in range(self.arrays.n):
            if i not in seen:
                unit = self._tied(i, ties)
                seen |= set(unit.members)
                units.append(unit)
        return units

    def _tied(self, first: int, ties: dict[int, list[tuple[int, tuple[int, ...]]]]) -> Unit:
        members, edges = [first], []
        for end in members:
            for other, offsets in ties.get(end, ()):
                edges.append((end, other, offsets))
                if other not in members:
                    members.append(other)
        if not edges:
            return Unit((first,))
        layouts: list[dict[int, int]] = [{first: 0}]
        for end, other, offsets in edges:
            grown = []
            for layout, offset in product(layouts, offsets):
                if layout.get(other, layout[end] + offset) == layout[end] + offset:
                    grown.append({**layout, other: layout[end] + offset})
            layouts = grown[:LAYOUTS]
        return Unit(tuple(members), tuple(dict.fromkeys(tuple(lay[i] for i in members) for lay in layouts)))

    def fixed_hz(self, i: int) -> int:
        hertz = self.arrays.carriers[i].fixed_hz
        assert hertz is not None
        return hertz

    def _spans_of_carriers(self) -> dict[int, list[tuple[list[int], int]]]:
        found: dict[int, list[tuple[list[int], int]]] = {}
        for span in self.problem.spans:
            members = [self.arrays.number[code] for code in dict.fromkeys(span.carriers)]
            for i in members:
                found.setdefault(i, []).append((members, span.max_span_hz))
        return found

    # -- placing --------------------------------------------------------------------------------

    def place_fixed(self) -> None:
        """Fixed carriers stand where they are, whatever that breaks."""
        for i in np.flatnonzero(self.arrays.fixed):
            self.hz[i] = self.fixed_hz(int(i))
        self.air.start(self.hz)
        self.air.settle_fixed()

    def start(self, hz: Ints) -> None:
        """Begin with a plan that is known to be clean; fixed carriers must stand in it."""
        fixed = np.where(self.arrays.fixed, hz, 0)
        self.hz[:] = fixed
        self.air.start(fixed)
        self.air.settle_fixed()
        if (fixed != hz).any():
            self.air.start(np.where(self.arrays.fixed, 0, hz))
            self.hz[:] = hz

    def _put(self, i: int, hertz: int) -> None:
        self.hz[i] = hertz
        if self.air.sites_of[i]:
            self.air.add(i, hertz)

    def _lift(self, i: int) -> None:
        if self.air.sites_of[i]:
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
        """How far every other carrier must stay from this one, in hertz."""
        if i not in self._needs:
            if len(self._needs) * self.arrays.n > 20_000_000:
                self._needs.clear()
            self._needs[i] = self.arrays.needs_hz(i)
        return self._needs[i]

    def crowding(self, i: int, raster: Ints, weight: Ints | None = None) -> Ints:
        """How many placed carriers stand too near at each point of a raster, or how much they weigh."""
        need = self.needs(i)
        others = np.flatnonzero((need > 0) & (self.hz > 0))
        each = np.ones(len(others), np.int64) if weight is None else weight[others]
        steps = np.zeros(len(raster) + 1, np.int64)
        np.add.at(steps, np.searchsorted(raster, self.hz[others] - need[others], "right"), each)
        np.add.at(steps, np.searchsorted(raster, self.hz[others] + need[others], "left"), -each)
        return np.cumsum(steps[:-1])

    def bound_to(self, i: int, raster: Ints) -> Bools:
        """Which points spans and fixed partners leave, the others being where they are."""
        free = np.ones(len(raster), bool)
        for members, width in self.spans.get(i, ()):
            placed = [int(self.hz[j]) for j in members if j != i and self.hz[j]]
            if placed:
                free &= (raster >= max(placed) - width) & (raster <= min(placed) + width)
        for _, at in self.anchored.get(i, ()):
            free &= np.isin(raster, at)
        return free

    def permitted(self, i: int) -> Bools:
        """Which points of the raster no rule but those of products takes away, the others being where they are."""
        raster = self.arrays.raster(i)
        return self.arrays.open_points(i) & (self.crowding(i, raster) <= 0) & self.bound_to(i, raster)

    def surveyed(
        self, i: int, free: Bools, *, priced: bool = True, hopeful: bool = False
    ) -> tuple[Bools, Bools, Floats]:
        """(clean, surely struck, cost) for every point of the raster; not permitted is surely struck."""
        raster = self.arrays.raster(i)
        clean, sure, cost = np.zeros(len(raster), bool), ~free, np.zeros(len(raster))
        at = np.flatnonzero(free)
        if not len(at):
            return clean, sure, cost
        clean[at], sure[at], cost[at] = self.air.survey(i, raster[at], priced=priced, hopeful=hopeful)
        if priced:
            noise = self.arrays.noise(i)
            if noise is not None:
                cost += noise
            self._add_wishes(i, raster, cost)
        return clean, sure, cost

    def _add_wishes(self, i: int, raster: Ints, cost: Floats) -> None:
        if not self.arrays.wishes and not self.arrays.named_wishes:
            return
        mine = int(self.arrays.kind_of[i])
        named = self.arrays.named_wishes.get(i, {})
        for j in np.flatnonzero((self.hz > 0) & (self.arrays.on @ self.arrays.on[i])):
            rows = named.get(int(j)) or self.arrays.wishes.get((mine, int(self.arrays.kind_of[j])))
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
        return not self.air.sites_of[i] or self.air.judge(i, hertz)

    def place(
        self,
        unit: Unit,
        *,
        spread: bool = True,
        loose: int = 0,
        thorough: bool = False,
        until: float = float("inf"),
    ) -> bool:
        """Put a unit at its cheapest clean point (not spread: the lowest), if there is one.

        `loose` picks at random among that many of the first; `thorough` also judges points that the maps leave in doubt.
        """
        if not unit.layouts or any(not len(self.arrays.raster(i)) for i in unit.members):
            return False
        looks = []
        for i in unit.members:
            free = self.permitted(i)
            if not free.any():
                return False
            before = self.arrays.carriers[i].previous_hz
            hopeful = not spread and not thorough and before is None  # only clean points will do
            looks.append(self.surveyed(i, free, priced=spread, hopeful=hopeful))
            if hopeful and not looks[-1][0].any():
                return False
        raster = self.arrays.raster(unit.first)
        for layout in unit.layouts:
            if not self._apart(unit, layout):
                continue
            clean, doubtful, cost = self._together(unit, layout, raster, looks)
            wanted = self._wanted(unit, layout, raster)
            if wanted is not None and not (clean | doubtful)[wanted]:
                wanted = None
            order = self._in_order(np.flatnonzero(clean), cost, wanted, spread, loose)
            if thorough or wanted is not None:
                order = [*order, *np.flatnonzero(doubtful)[: None if thorough else 0].tolist()]
            for at in order:
                if self._take(unit, layout, int(raster[at])):
                    return True
                if time.monotonic() > until:
                    return False
        return False

    def _wanted(self, unit: Unit, layout: tuple[int, ...], raster: Ints) -> int | None:
        """The point at which the whole unit stays where it was."""
        before = [self.arrays.carriers[i].previous_hz for i in unit.members]
        if before[0] is None or any(
            b is None or b != before[0] + offset for b, offset in zip(before, layout, strict=True)
        ):
            return None
        at = int(np.searchsorted(raster, before[0]))
        return at if at < len(raster) and raster[at] == before[0] else None

    def _apart(self, unit: Unit, layout: tuple[int, ...]) -> bool:
        """Whether members owe each other less than the layout gives."""
        return all(
            abs(layout[a] - layout[b]) >= self.needs(unit.members[a])[unit.members[b]]
            for a in range(len(layout))
            for b in range(a)
        )

    def _together(
        self, unit: Unit, layout: tuple[int, ...], raster: Ints, looks: list[tuple[Bools, Bools, Floats]]
    ) -> tuple[Bools, Bools, Floats]:
        """(clean, doubtful, cost) of the whole unit for every point of its first member's raster."""
        clean, sure, cost = looks[0]
        for i, offset, (other_clean, other_sure, other_cost) in zip(
            unit.members[1:], layout[1:], looks[1:], strict=True
        ):
            theirs = self.arrays.raster(i)
            at = np.searchsorted(theirs, raster + offset).clip(0, len(theirs) - 1)
            met = theirs[at] == raster + offset
            clean, sure, cost = (
                clean & met & other_clean[at],
                sure | ~met | other_sure[at],
                cost + other_cost[at],
            )
        return clean, ~clean & ~sure, cost

    def _take(self, unit: Unit, layout: tuple[int, ...], hertz: int) -> bool:
        """Put the members one after the other if each is clean; else none."""
        for k, (i, offset) in enumerate(zip(unit.members, layout, strict=True)):
            at = hertz + offset
            if (k and not self._within_spans(i, at)) or not self.clean_at(i, at):
                for j in unit.members[:k]:
                    self._lift(j)
                return False
            self._put(i, at)
        return True

    def _within_spans(self, i: int, hertz: int) -> bool:
        for members, width in self.spans.get(i, ()):
            placed = [int(self.hz[j]) for j in members if j != i and self.hz[j]]
            if placed and max(*placed, hertz) - min(*placed, hertz) > width:
                return False
        return True

    def _in_order(self, at: Ints, cost: Floats, wanted: int | None, spread: bool, loose: int) -> list[int]:
        """Points to try: where it was, then by cost (lowest frequency first among equals) or from the bottom."""
        if wanted is not None:
            return [wanted, *self._in_order(at[at != wanted], cost, None, spread, loose)]
        if not spread:
            order = at[:TRIES]
        else:
            price = np.round(cost[at], 6)
            if len(at) > TRIES:
                keep = np.flatnonzero(price <= np.partition(price, TRIES)[TRIES])[: 4 * TRIES]
                at, price = at[keep], price[keep]
            order = at[np.argsort(price, kind="stable")]
        if loose and len(order) > 1:
            first = int(self.random.integers(min(loose, len(order))))
            order = np.concatenate([order[first:], order[:first]])
        return [int(x) for x in order]

    # -- the phases -------------------------------------------------------------------------------

    def run(self, standing: Ints | None = None) -> None:
        """All phases, until nothing better is likely, the deadline passes or somebody asks to stop."""
        try:
            if channels.suits(self.arrays):
                self.place_fixed()
                channels.place(self.arrays, self.hz, self.random, self.breathe)
                return
            self.construct(standing)
            self.set_marks()
            self.bring_back()
            self.go_home()
            # A second sweep brings less than half a per cent: not worth building the maps of all places again.
            self.improve(2 if self.air.roomy else 1)
        except Stopped:
            self.air.widen()

    def set_marks(self) -> None:
        """Where all carriers are alike and coupled, place them as marks on a ruler as soon as that places more."""
        left = len(self.left())
        if not left:
            return
        urgent = sorted(self.units, key=lambda unit: self.arrays.carriers[unit.first].priority)
        for found in marks.place(self.arrays, lambda: self.breathe("setting marks", 0.6, left)):
            if len(found) <= len(self.units) - len(self.left()):
                continue
            for unit in self.units:
                if self.hz[unit.first]:
                    self.lift(unit)
            for unit, hertz in zip(urgent, found, strict=False):
                if self.clean_at(unit.first, hertz):
                    self.put(unit, (hertz,))

    def construct(self, standing: Ints | None = None) -> None:
        """Begin with what stands, then place every unit once, where it finds a clean point."""
        arrays = self.arrays
        all_day = {id(u): bool(arrays.all_day[list(u.members)].all()) for u in self.units}
        # One row may stand for all slots only until somebody comes who is not on in all of them.
        nobody = not arrays.fixed.any() and (standing is None or not standing.any())
        if nobody and len(self.air.slots) > 1 and any(all_day.values()):
            self.air.narrow()
        elif standing is None:
            self.place_fixed()
        else:
            self.start(standing)
        key = {id(u): self._constrainedness(u) for u in self.units}
        turn = self._turns()
        units = sorted(
            self.left(),
            key=lambda u: (not all_day[id(u)], 0 if all_day[id(u)] else turn[u.first], *key[id(u)]),
        )
        late = False
        for done, unit in enumerate(units):
            if self.air.narrowed and not all_day[id(unit)]:
                if self._spent() < EARLY:
                    self.bring_back()
                    self.improve(2, share=EARLY)
                self.air.widen()
            self.breathe("placing", done / max(1, len(units)) * 0.6)
            if not late and self._spent() > LATE:
                late = True
                self.air.forget_prices()
            self.place(unit, spread=not late)
        self.air.widen()

    def _turns(self) -> list[int]:
        """When each carrier's place has its turn: all at once, or, where memory cannot hold all maps, one place after
        the other, neighbours together, so that maps are seldom built again.

        Reverse Cuthill-McKee keeps neighbours near each other in a row (George 1971; from memory).
        """
        if self.air.roomy:
            return [0] * self.arrays.n
        from scipy.sparse import csr_array  # noqa: PLC0415 - for large events only
        from scipy.sparse.csgraph import reverse_cuthill_mckee  # noqa: PLC0415

        zones = self.problem.zones
        heard = csr_array(np.array([[other.id in zone.hears for other in zones] for zone in zones], np.int8))
        row = reverse_cuthill_mckee(heard)
        turn = {zones[int(z)].id: k for k, z in enumerate(row)}
        return [min(turn[code] for code in carrier.sent_from) for carrier in self.arrays.carriers]

    def _constrainedness(self, unit: Unit) -> tuple[int, float, float]:
        i = unit.first
        options = float(np.count_nonzero(self.arrays.open_points(i)))
        crowd = float(np.count_nonzero(self.needs(i)))
        last = min(self.arrays.carriers[j].priority for j in unit.members) >= 9
        return int(last), options / (1 + crowd) / len(unit.members), float(self.random.random())

    def left(self) -> list[Unit]:
        """Units without a place."""
        return [unit for unit in self.units if not self.hz[unit.first]]

    def fill(self, until: float = float("inf")) -> None:
        """Leave nobody out who has a clean point: what the maps leave in doubt is judged point by point.

        Whoever was placed only takes points away, so one turn is enough.
        """
        for unit in self.left():
            if time.monotonic() > until:
                return
            self.place(unit, spread=False, thorough=True, until=until)

    def rank(self, left: Iterable[Unit]) -> tuple[int, ...]:
        """What is minimised first: how many of priority 1 are left out, then of 2, …; then how many moved."""
        out = [0] * 9
        for unit in left:
            for i in unit.members:
                out[self.arrays.carriers[i].priority - 1] += 1
        return (*out, self.moved())

    def moved(self) -> int:
        was = self.arrays.previous_hz
        return int(np.count_nonzero((was > 0) & (self.hz > 0) & (self.hz != was) & ~self.arrays.fixed))

    def bring_back(self) -> None:
        """Ejection: place a unit where fewest stand in its way, take those off, place them again; keep what is no worse."""
        left = [unit for unit in self.left() if self.arrays.open_points(unit.first).any()]
        if self.air.narrowed:
            left = [unit for unit in left if self.arrays.all_day[list(unit.members)].all()]
        idle = 0
        while left and idle < IDLE_ROUNDS + 10 * len(left):
            self.breathe("bringing back", 0.6 + 0.2 * min(1.0, idle / IDLE_ROUNDS), len(left))
            target = self._next_target(left)
            before = self.rank(left)
            was = self._make_way(target)
            gone = [self.unit_of[i] for i in was if self.unit_of[i].first == i]
            gone = [gone[k] for k in self.random.permutation(len(gone))]
            loose = int(self.random.choice([1, 3, TRIES]))
            queue = [target, *gone]
            still = [unit for unit in queue if not self.place(unit, spread=False, loose=loose)]
            after = [*(unit for unit in left if unit is not target), *still]
            rank = self.rank(after)
            if rank <= before:
                self._remember(target, gone, was)
                idle = 0 if rank < before else idle + 1
                moved = [i for unit in queue for i in unit.members if self.hz[i] != was.get(i, 0)]
                after = [
                    unit
                    for unit in after
                    if not (self._meets(unit, moved) and self.place(unit, spread=False))
                ]
                left = after
                continue
            idle += 1
            for unit in queue:
                if self.hz[unit.first]:
                    self.lift(unit)
            for unit in gone:
                self.put(unit, tuple(was[i] for i in unit.members))

    def _meets(self, unit: Unit, others: list[int]) -> bool:
        """Whether what those others do can matter to a unit: a distance is owed, or products reach both."""
        sites = {id(site) for i in others for site in self.air.sites_of[i]}
        return any(
            bool((self.needs(i)[others] > 0).any()) or any(id(site) in sites for site in self.air.sites_of[i])
            for i in unit.members
        )

    def _remember(self, target: Unit, gone: list[Unit], was: dict[int, int]) -> None:
        """Who had to move so that a unit found its place."""
        for unit in gone:
            for i in unit.members:
                if self.hz[i] != was[i]:
                    self.because[i] = target.first

    def go_home(self) -> None:
        """Whoever was moved and can go back to where it was, does."""
        for unit in self.units:
            before = tuple(self.arrays.carriers[i].previous_hz or 0 for i in unit.members)
            if (
                not all(before)
                or before == tuple(self.hz[i] for i in unit.members)
                or not self.hz[unit.first]
            ):
                continue
            self.breathe("going home", 0.8)
            was = self.lift(unit)
            if not self.place(unit, spread=False):
                self.put(unit, was)
            elif tuple(self.hz[i] for i in unit.members) != before:
                self.lift(unit)
                self.put(unit, was)
            else:
                for i in unit.members:
                    self.because.pop(i, None)

    def _next_target(self, left: list[Unit]) -> Unit:
        if self.random.random() < 0.5:
            return left[int(self.random.integers(len(left)))]
        order = self.random.permutation(len(left))
        return left[min(order, key=lambda k: min(self.arrays.carriers[i].priority for i in left[k].members))]

    def _make_way(self, target: Unit) -> dict[int, int]:
        """Take off whoever stands in the way at one of the least crowded points, and a few more; says where they were."""
        was: dict[int, int] = {}
        i = target.first
        raster, open_points = self.arrays.raster(i), self.arrays.open_points(i)
        # Whoever is on in many slots is dear to move and hard to place again; what is fixed cannot be moved at all.
        weight = 1 + self.arrays.on.sum(axis=1) // 4 + 1000 * self.arrays.fixed
        crowd = self.crowding(i, raster, weight).astype(float)
        _, sure, _ = self.surveyed(i, open_points, priced=False)
        crowd += 1.5 * sure + self.random.random(len(raster)) * 2.0
        crowd[~open_points] = np.inf
        at = int(raster[int(crowd.argmin())])
        need = self.needs(i)
        for j in np.flatnonzero((need > 0) & (self.hz > 0) & (np.abs(self.hz - at) < need)):
            self._eject(int(j), was)
        for _ in range(4):
            if self.clean_at(i, at):
                break
            blamed = Counter(j for j in self.air.blamed(i, at) if j in self.unit_of and self.hz[j])
            if not blamed:
                break
            self._eject(max(sorted(blamed), key=lambda j: (blamed[j] / weight[j], self.random.random())), was)
        around = sorted(
            (j for j in self.air.neighbours(i) if j in self.unit_of and self.hz[j] and weight[j] <= 2),
            key=lambda j: abs(int(self.hz[j]) - at),
        )[:12]
        for j in self.random.permutation(around)[: int(self.random.integers(0, 4))] if around else ():
            self._eject(int(j), was)
        return was

    def _eject(self, j: int, was: dict[int, int]) -> None:
        if j not in self.unit_of or not self.hz[j]:
            return
        unit = self.unit_of[j]
        was.update(zip(unit.members, self.lift(unit), strict=True))

    def improve(self, sweeps: int = 2, share: float = 1.0) -> None:
        """Move single units to cheaper points, as long as moves pay for themselves and that share of the time lasts."""
        if not self._costs():
            return
        # Whoever is on all day has been moved while one row stood for all slots; now a move costs as many rows as slots.
        movable = [
            unit
            for unit in self.units
            if len(unit.members) == 1
            and self.hz[unit.first]
            and (self.air.on.shape[1] == 1 or not self.arrays.all_day[unit.first])
        ]
        turn = self._turns()
        movable.sort(key=lambda unit: turn[unit.first])
        places = [list(units) for _, units in groupby(movable, key=lambda unit: turn[unit.first])]
        tried: dict[int, float] = {}  # what each costs where it found nothing better
        for sweep in range(sweeps):
            done = 0
            # Back again the way it came: the maps of the last places are still there.
            for units in places if sweep % 2 == 0 else reversed(places):
                for price, unit in self._dearest(units, tried):
                    self.breathe("moving", 0.8 + 0.18 * (sweep + done / len(movable)) / sweeps)
                    if self._spent() > share:
                        return
                    tried[unit.first] = price - self._move(unit)
                done += len(units)

    def _dearest(self, units: list[Unit], tried: dict[int, float]) -> list[tuple[float, Unit]]:
        """(price, unit) by falling price, without those who cost what they did when nothing better was found."""
        priced = []
        for k, unit in enumerate(units):
            self.breathe("moving", 0.8)
            price = self._price(unit)
            if abs(price - tried.get(unit.first, 0.0)) > 1e-3:
                priced.append((price, k))
        return [(price, units[k]) for price, k in sorted(priced, reverse=True)]

    def _price(self, unit: Unit) -> float:
        """About what a placed unit costs where it stands: what it suffers and causes, its noise and wishes."""
        i, hertz = unit.first, int(self.hz[unit.first])
        raster = self.arrays.raster(i)
        at = int(np.searchsorted(raster, hertz))
        price = np.full(1, self.air.price(i, hertz))
        noise = self.arrays.noise(i)
        if noise is not None:
            price += noise[at]
        self._add_wishes(i, raster[at : at + 1], price)
        return float(price[0])

    def _costs(self) -> bool:
        return bool(
            self.problem.noise
            or any(row.treatment == "penalise" for row in self.problem.separations)
            or any(rule.treatment == "penalise" for rule in self.problem.products)
        )

    def _move(self, unit: Unit) -> float:
        """Put a unit where it costs less, if it may move; returns what was gained."""
        i = unit.first
        if self.arrays.carriers[i].previous_hz == self.hz[i]:
            return 0.0
        was = self.lift(unit)
        clean, _, cost = self.surveyed(i, self.permitted(i))
        raster = self.arrays.raster(i)
        here = int(np.searchsorted(raster, was[0]))
        for at in self._in_order(np.flatnonzero(clean), cost, None, True, 0):
            if cost[at] >= cost[here] - 1e-6:
                break
            if self.clean_at(i, int(raster[at])):
                self._put(i, int(raster[at]))
                return float(cost[here] - cost[at])
        self._put(i, was[0])
        return 0.0

    def _spent(self) -> float:
        """The share of the given time that has passed."""
        return (time.monotonic() - self._began) / max(self.deadline - self._began, 1e-9)

    def breathe(self, stage: str, share: float, left: int = 0) -> None:
        if self.should_stop is not None and self.should_stop():
            self.stopped = "cancelled"
            raise Stopped
        if time.monotonic() > self.deadline:
            self.stopped = "deadline"
            raise Stopped
        if self.on_progress is not None:
            placed = int(np.count_nonzero(self.hz))
            self.on_progress(Progress(stage, placed, left, 0.0, share))
