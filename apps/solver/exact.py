"""The exact step: a handful of units placed as well as can be, by trying every way that can still be better.

Depth first with a bound, over the same maps as the search. Counted in placements tried, so the same plan comes every time.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from apps.solver.problem import Carrier
from apps.solver.search import Search, Stopped, Unit
from apps.solver.verify import verify

UNITS, POINTS, CARRIERS = (
    8,
    64,
    64,
)  # what is small enough to try everything with: movable units, points of a raster, all
PLACEMENTS = 3000


def perfect(search: Search, placements: int = PLACEMENTS) -> None:
    """Replace the plan of a small problem by the best one found among so many placements; larger problems stay as they are."""
    arrays = search.arrays
    small = len(search.units) <= UNITS and arrays.n <= CARRIERS
    if small and all(len(arrays.raster(i)) <= POINTS for unit in search.units for i in unit.members):
        step = _Step(search, placements)
        if step.best.rank > step.least:
            step.run()


@dataclass
class _Plan:
    rank: tuple[float, ...]
    hz: dict[int, tuple[int, ...]] = field(default_factory=dict)  # by place of the unit in the order


class _Step:
    def __init__(self, search: Search, placements: int) -> None:
        self.search, self.left = search, placements
        carriers = search.arrays.carriers
        self.order = sorted(search.units, key=lambda unit: min(carriers[i].priority for i in unit.members))
        self.twin = [self._twin_of(k) for k in range(len(self.order))]
        placed = {k: self._where(unit) for k, unit in enumerate(self.order) if search.hz[unit.first]}
        self.best = _Plan(self._exact_rank(), placed)
        self.least = (*([0] * 9), 0, 0.0)

    def run(self) -> None:
        search = self.search
        for unit in self.order:
            if search.hz[unit.first]:
                search.lift(unit)
        self._decide(0, {}, [0] * 9, 0, 0.0)
        for k, hz in self.best.hz.items():
            search.put(self.order[k], hz)

    def _decide(
        self, depth: int, plan: dict[int, tuple[int, ...]], out: list[int], moved: int, cost: float
    ) -> None:
        try:
            self.search.breathe("trying everything", 0.99)
        except Stopped:
            self.left = 0
        if (*out, moved, round(cost, 6)) >= self.best.rank or self.left <= 0:
            return
        if depth == len(self.order):
            rank = self._exact_rank()
            if rank < self.best.rank:
                self.best = _Plan(rank, dict(plan))
            return
        unit, search = self.order[depth], self.search
        twin = self.twin[depth]
        lowest = 0 if twin is None else plan[twin][0] if twin in plan else math.inf
        for price, hz in self._choices(unit):
            if hz[0] < lowest:
                continue
            self.left -= 1
            if self.left <= 0 or not self._put(unit, hz):
                continue
            self._decide(depth + 1, plan | {depth: hz}, out, moved + self._moves(unit, hz), cost + price)
            search.lift(unit)
        without = list(out)
        for i in unit.members:
            without[search.arrays.carriers[i].priority - 1] += 1
        self._decide(depth + 1, plan, without, moved, cost)

    def _choices(self, unit: Unit) -> Iterator[tuple[float, tuple[int, ...]]]:
        """Every way to place a unit that the maps do not rule out, the others being where they are: staying first, then cheap."""
        search = self.search
        found = []
        rasters = [search.arrays.raster(i) for i in unit.members]
        if any(not len(raster) for raster in rasters):
            return
        looks = [search.surveyed(i, search.permitted(i)) for i in unit.members]
        for layout in unit.layouts:
            if search._apart(unit, layout):
                clean, doubtful, cost = search._together(unit, layout, rasters[0], looks)
                found += [
                    (float(cost[at]), tuple(int(rasters[0][at]) + offset for offset in layout))
                    for at in (clean | doubtful).nonzero()[0]
                ]
        yield from sorted(
            found, key=lambda choice: (self._moves(unit, choice[1]), round(choice[0], 9), choice[1])
        )

    def _put(self, unit: Unit, hz: tuple[int, ...]) -> bool:
        return self.search._take(unit, tuple(at - hz[0] for at in hz), hz[0])

    def _moves(self, unit: Unit, hz: tuple[int, ...]) -> int:
        before = (self.search.arrays.carriers[i].previous_hz for i in unit.members)
        return sum(was is not None and was != at for was, at in zip(before, hz, strict=True))

    def _where(self, unit: Unit) -> tuple[int, ...]:
        return tuple(int(self.search.hz[i]) for i in unit.members)

    def _exact_rank(self) -> tuple[float, ...]:
        search = self.search
        placed = {c.id: int(hz) for c, hz in zip(search.arrays.carriers, search.hz, strict=True) if hz}
        return (*search.rank(search.left()), round(verify(search.problem, placed).penalty, 6))

    def _twin_of(self, k: int) -> int | None:
        """The unit before this one that no rule can tell from it: of two such, the second may as well be the higher one."""
        named = {
            code
            for row in (
                *self.search.problem.pairs,
                *self.search.problem.spans,
                *self.search.problem.separations,
            )
            for code in (
                getattr(row, "carriers", None) or (getattr(row, "first", ""), getattr(row, "second", ""))
            )
        }
        carriers = [self.search.arrays.carriers[i] for i in self.order[k].members]
        if len(carriers) > 1 or carriers[0].id in named:
            return None
        for j in range(k - 1, -1, -1):
            (other, *more) = (self.search.arrays.carriers[i] for i in self.order[j].members)
            if not more and other.id not in named and _alike(other, carriers[0]):
                return j
        return None


def _alike(a: Carrier, b: Carrier) -> bool:
    return replace(a, id=b.id) == b
