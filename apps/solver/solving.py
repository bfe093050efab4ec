"""Solving a problem from end to end: search, explanation, result. The one function behind every door."""

import math
import time
from collections.abc import Callable

import numpy as np

from apps.solver import explain
from apps.solver.problem import Problem
from apps.solver.result import Bound, Progress, Result, Unplaced
from apps.solver.search import Search, Stopped, Unit
from apps.solver.verify import verify


def solve(
    problem: Problem,
    *,
    seconds: float = 10.0,
    seed: int = 0,
    workers: int = 1,
    on_progress: Callable[[Progress], None] | None = None,
    should_stop: Callable[[], bool] | None = None,
) -> Result:
    """Assign a frequency to as many carriers as possible.

    `seconds` is a ceiling; the search stops earlier when nothing better is likely, and whenever it stops what it has
    is a valid plan. Same problem, seed and no time pressure: same result. Raises air.Unsupported for a clause that is
    not obeyed.
    """
    began = time.monotonic()
    search = Search(
        problem, seed=seed, deadline=began + seconds, should_stop=should_stop, on_progress=on_progress
    )
    search.place_fixed()
    try:
        search.construct()
        search.bring_back()
        search.improve()
    except Stopped:
        pass
    search.fill()
    return _result(problem, search, seed, began)


def _result(problem: Problem, search: Search, seed: int, began: float) -> Result:
    assignments = {carrier.id: int(hz) for carrier, hz in zip(problem.carriers, search.hz, strict=True) if hz}
    left = search.left()
    unplaced = [
        Unplaced(problem.carriers[i].id, explain.blocked_by(search, _seen_from(unit, i)))
        for unit in left
        for i in unit.members
    ]
    unplaced.sort(key=lambda row: row.id)
    moved = [
        carrier.id
        for carrier in problem.carriers
        if carrier.fixed_hz is None
        and carrier.previous_hz is not None
        and assignments.get(carrier.id, carrier.previous_hz) != carrier.previous_hz
    ]
    penalty = _penalty(problem, search, assignments)
    return Result(
        assignments=assignments,
        unplaced=tuple(unplaced),
        moved=tuple(moved),
        loads=tuple(explain.loads_over_limit(search)),
        bound=Bound(0, "no lower bound was computed"),
        cost={
            "unplaced": explain.unplaced_by_priority(problem, [row.id for row in unplaced]),
            "moved": len(moved),
            "penalty": round(penalty, 6),
        },
        elapsed_s=round(time.monotonic() - began, 3),
        seed=seed,
        stopped=search.stopped,
    )


def _seen_from(unit: Unit, i: int) -> Unit:
    """The same unit with carrier i as its first end."""
    if unit.second is None or i == unit.first:
        return unit
    return Unit(unit.second, unit.first, tuple(-offset for offset in unit.offsets_hz))


def _penalty(problem: Problem, search: Search, assignments: dict[str, int]) -> float:
    """The objective's last part, exactly: from the maps where bins are exact, else by plain counting."""
    if not search.arrays.exact:
        return verify(problem, assignments).penalty
    total = search.weigh()
    for i, carrier in enumerate(problem.carriers):
        noise = search.arrays.noise(i)
        if noise is not None and search.hz[i] and carrier.fixed_hz is None:
            total += float(noise[np.searchsorted(search.arrays.raster(i), search.hz[i])])
    return total + _wishes(search)


def _wishes(search: Search) -> float:
    """What wishes cost: for each pair of placed carriers the dearest wish that is not kept."""
    arrays = search.arrays
    if not arrays.wishes and not arrays.named_wishes:
        return 0.0
    order = np.argsort(search.hz, kind="stable")
    order = order[search.hz[order] > 0]
    widest = max(
        [width for rows in arrays.wishes.values() for width, _ in rows]
        + [width for others in arrays.named_wishes.values() for rows in others.values() for width, _ in rows]
    )
    total = 0.0
    for at, i in enumerate(order):
        for j in order[at + 1 :]:
            apart = int(search.hz[j] - search.hz[i])
            if apart > widest:
                break
            if (arrays.fixed[i] and arrays.fixed[j]) or not (arrays.on[i] & arrays.on[j]).any():
                continue
            rows = arrays.named_wishes.get(int(i), {}).get(int(j)) or arrays.wishes.get(
                (int(arrays.kind_of[i]), int(arrays.kind_of[j])), []
            )
            total += max(
                (weight * (1 - apart / width) for width, weight in rows if apart < width), default=0.0
            )
    return total if math.isfinite(total) else 0.0
