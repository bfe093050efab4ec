"""Solving a problem from end to end: search, explanation, result. The one function behind every door."""

import time
from collections.abc import Callable

from apps.solver import explain
from apps.solver.problem import Problem
from apps.solver.result import Bound, Progress, Result, Unplaced
from apps.solver.search import Search
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
    is a valid plan. Same problem, seed and no time pressure: same result.
    """
    began = time.monotonic()
    search = Search(
        problem, seed=seed, deadline=began + seconds, should_stop=should_stop, on_progress=on_progress
    )
    search.run()
    search.fill()
    return result_of(search, seed, began)


def result_of(search: Search, seed: int, began: float) -> Result:
    """What a finished search says: recounted, explained."""
    problem = search.problem
    assignments = {carrier.id: int(hz) for carrier, hz in zip(problem.carriers, search.hz, strict=True) if hz}
    unplaced = [
        Unplaced(problem.carriers[i].id, explain.blocked_by(search, unit.seen_from(i)))
        for unit in search.left()
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
    verdict = verify(problem, assignments)
    return Result(
        assignments=assignments,
        unplaced=tuple(unplaced),
        moved=tuple(moved),
        loads=tuple(explain.loads_over_limit(search, verdict)),
        bound=Bound(0, "no lower bound was computed"),
        cost={
            "unplaced": explain.unplaced_by_priority(problem, [row.id for row in unplaced]),
            "moved": len(moved),
            "penalty": round(verdict.penalty, 6),
        },
        elapsed_s=round(time.monotonic() - began, 3),
        seed=seed,
        stopped=search.stopped,
    )
