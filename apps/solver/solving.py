"""Solving a problem from end to end: search, explanation, result. The one function behind every door."""

import multiprocessing
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.synchronize import Event
from typing import Any

from apps.solver import explain
from apps.solver.arrays import Arrays
from apps.solver.bound import lower_bound
from apps.solver.exact import perfect
from apps.solver.problem import Problem
from apps.solver.result import Bound, Progress, Result, Unplaced, merit
from apps.solver.search import Search
from apps.solver.standing import FEW, MANY, place_alone, standing
from apps.solver.twins import in_order
from apps.solver.verify import verify

LATE_S = 0.6  # by how much a result may come later than the time given
PROMPT_S = 0.4  # and later than the wish to stop: what others found by then counts
RECOUNT_S = 0.0006  # per carrier: kept back from the time given, for the recount comes after the search


@dataclass(frozen=True)
class Change:
    """One carrier that a repair set anew: from when it holds (a slot's name), and for whose sake or for which reason."""

    id: str
    from_hz: int | None
    to_hz: int | None
    slot: str
    why: str


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
    is a valid plan. Same problem, seed and no time pressure: same result. With `workers` above 1 as many processes search with
    seeds of their own, and the best plan wins.
    """
    began = time.monotonic()
    if workers <= 1:
        return result_of(_searched(problem, seconds, seed, on_progress, should_stop), seed, began, seconds)
    return _side_by_side(problem, seconds, seed, workers, on_progress, should_stop, began)


def repair(
    problem: Problem,
    *,
    seconds: float = 10.0,
    seed: int = 0,
    on_progress: Callable[[Progress], None] | None = None,
    should_stop: Callable[[], bool] | None = None,
) -> tuple[Result, tuple[Change, ...]]:
    """Place newcomers (no `previous_hz`) and whoever has lost its place, touching as little as possible of the previous plan.

    Locked carriers and those on the air now are fixed by the caller. Returns the result and every change with its reason.
    """
    began = time.monotonic()
    search = _searched(problem, seconds, seed, on_progress, should_stop)
    return result_of(search, seed, began, seconds), tuple(_changes(problem, search))


def _changes(problem: Problem, search: Search) -> list[Change]:
    found = []
    for i, carrier in enumerate(problem.carriers):
        now = int(search.hz[i]) or None
        if carrier.fixed_hz is not None or now == carrier.previous_hz:
            continue
        if now is None:
            why = "no place is left for it"
        elif carrier.previous_hz is None:
            why = "it is new"
        elif i in search.because:
            why = f"to make room for {problem.carriers[search.because[i]].id}"
        else:
            why = "where it was breaks a rule now"
        found.append(Change(carrier.id, carrier.previous_hz, now, carrier.slots[0], why))
    return found


def _searched(
    problem: Problem,
    seconds: float,
    seed: int,
    on_progress: Callable[[Progress], None] | None,
    should_stop: Callable[[], bool] | None,
) -> Search:
    """A finished search. Few newcomers in a large plan are placed one by one before anybody else is looked at."""
    n = len(problem.carriers)
    deadline = time.monotonic() + seconds - min(seconds / 3, RECOUNT_S * n)
    arrays = Arrays(problem)
    hz = standing(problem, arrays)
    if (hz == 0).sum() <= FEW and n >= MANY:
        resting = Search(problem, arrays=arrays, readers=(), seed=seed)
        resting.hz[:] = hz
        placed = [place_alone(problem, arrays, resting.hz, unit) for unit in resting.left()]
        if all(placed):
            return resting
        hz = resting.hz
    search = Search(
        problem, seed=seed, deadline=deadline, should_stop=should_stop, on_progress=on_progress, arrays=arrays
    )
    search.run(hz)
    if search.stopped != "cancelled":
        search.fill(deadline + LATE_S)
    if search.stopped not in ("cancelled", "deadline"):
        perfect(search)
    return search


# -- several seeds side by side ----------------------------------------------------------------------


def _side_by_side(
    problem: Problem,
    seconds: float,
    seed: int,
    workers: int,
    on_progress: Callable[[Progress], None] | None,
    should_stop: Callable[[], bool] | None,
    began: float,
) -> Result:
    """This process searches with the given seed, others with the next ones; the best result is kept."""
    # A fork copies nothing and starts at once, but only a process without threads may.
    context: Any = multiprocessing.get_context("fork" if threading.active_count() == 1 else "spawn")
    stop = context.Event()
    doors = []
    for other in range(seed + 1, seed + workers):
        ours, theirs = context.Pipe(duplex=False)
        child = context.Process(
            target=_search_apart, args=(problem, seconds, other, stop, theirs), daemon=True
        )
        child.start()
        theirs.close()
        doors.append((child, ours))

    ends = [began + seconds + 0.5]

    def asked() -> bool:
        if not stop.is_set() and should_stop is not None and should_stop():
            stop.set()
            ends.append(time.monotonic() + PROMPT_S)
        return stop.is_set()

    results = [result_of(_searched(problem, seconds, seed, on_progress, asked), seed, began, seconds)]
    for child, door in doors:
        while not door.poll(0.02) and child.is_alive() and time.monotonic() < min(ends):
            asked()
        if door.poll():
            results.append(door.recv())
        child.kill()  # it may hear no gentler signal, or wait for somebody to take a long result
        child.join()
    best = min(results, key=lambda result: merit({"cost": result.cost, "seed": result.seed}))
    return Result(**{**best.__dict__, "elapsed_s": round(time.monotonic() - began, 3), "seed": best.seed})


def _search_apart(problem: Problem, seconds: float, seed: int, stop: Event, door: Connection) -> None:
    began = time.monotonic()
    result = result_of(_searched(problem, seconds, seed, None, stop.is_set), seed, began, seconds)
    door.send(result)


# -- the result ----------------------------------------------------------------------------------------


def result_of(search: Search, seed: int, began: float, seconds: float) -> Result:
    """What a finished search says: recounted, explained. Where time is up or somebody asked to stop, reasons are short."""
    problem = search.problem

    def hurried() -> bool:
        asked = search.should_stop is not None and search.should_stop()
        return asked or search.stopped == "cancelled" or time.monotonic() > began + seconds + LATE_S

    reasons = explain.Reasons(search, hurried)
    assignments = {carrier.id: int(hz) for carrier, hz in zip(problem.carriers, search.hz, strict=True) if hz}
    unplaced = [
        Unplaced(problem.carriers[i].id, reasons.of(unit.seen_from(i)))
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
    found = Result(
        assignments=assignments,
        unplaced=tuple(unplaced),
        moved=tuple(moved),
        loads=tuple(explain.loads_over_limit(search, verdict, hurried)),
        bound=_bound(problem, bool(unplaced), hurried),
        cost={
            "unplaced": explain.unplaced_by_priority(problem, [row.id for row in unplaced]),
            "moved": len(moved),
            "penalty": round(verdict.penalty, 6),
        },
        elapsed_s=round(time.monotonic() - began, 3),
        seed=seed,
        stopped=search.stopped,
    )
    return in_order(problem, found)


def _bound(problem: Problem, out: bool, hurried: Callable[[], bool]) -> Bound:
    if not out:
        return Bound(0, "nobody is left out")
    if hurried():
        return Bound(0, "there was no time to prove anything")
    return lower_bound(problem, should_stop=hurried)
