"""What would place those who were left out: which rule relaxed, range opened or lower priority withdrawn buys how many.

Every answer is tried, not estimated: the problem is changed in that one respect, the plan stays as it is, and the ones left out
are placed into it, with nobody else moved. So a remedy may buy more than it says, never less.
"""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace

import numpy as np

from apps.solver.arrays import Arrays
from apps.solver.problem import Blocked, Carrier, Problem
from apps.solver.search import Search
from apps.solver.standing import place_alone

TRIED = 12


@dataclass(frozen=True)
class Remedy:
    """One change and whom it would place. `what` is relax, open or withdraw; `name` says which rule, range or carrier."""

    what: str
    name: str
    places: tuple[str, ...]


@dataclass(frozen=True)
class Change:
    """The problem, and the plan that stands in it, with one respect changed; not yet tried."""

    what: str
    name: str
    problem: Problem
    plan: Mapping[str, int]


def remedies(
    problem: Problem,
    assignments: Mapping[str, int],
    *,
    should_stop: Callable[[], bool] = lambda: False,
) -> tuple[Remedy, ...]:
    """Every single change that places somebody who was left out, the one that buys most first.

    Whoever has room as the plan stands needs no remedy and is named in none: see placeable().
    """
    found = []
    out = {c.id for c in problem.carriers if c.id not in assignments}
    as_it_stands = set(placeable(problem, assignments))
    for change in changes(problem, assignments):
        if should_stop():
            break
        if bought := buys(change, out - as_it_stands):
            found.append(Remedy(change.what, change.name, bought))
    return tuple(sorted(found, key=lambda remedy: -len(remedy.places)))


def placeable(
    problem: Problem, assignments: Mapping[str, int], *, should_stop: Callable[[], bool] = lambda: False
) -> tuple[str, ...]:
    """Those left out who have room as the plan stands: nothing has to change for them, and nobody to move."""
    out = {c.id for c in problem.carriers if c.id not in assignments}
    return _placed(problem, assignments, out, should_stop)


def buys(
    change: Change, of: Collection[str], *, should_stop: Callable[[], bool] = lambda: False
) -> tuple[str, ...]:
    """Whom of these a change would place, everybody else staying where they are; of no use once somebody asked to stop."""
    out = {c.id for c in change.problem.carriers if c.id not in change.plan}
    return tuple(code for code in _placed(change.problem, change.plan, out, should_stop) if code in of)


def _placed(
    problem: Problem, plan: Mapping[str, int], wanted: set[str], should_stop: Callable[[], bool]
) -> tuple[str, ...]:
    arrays = Arrays(problem)
    hz = np.array([plan.get(c.id, 0) for c in problem.carriers], np.int64)
    resting = Search(problem, arrays=arrays, readers=())
    resting.hz[:] = hz
    placed: list[str] = []
    for unit in resting.left():
        if should_stop():
            break
        codes = [problem.carriers[i].id for i in unit.members]
        if wanted >= set(codes) and place_alone(problem, arrays, resting.hz, unit):
            placed += codes
    return tuple(placed)


def changes(problem: Problem, assignments: Mapping[str, int]) -> list[Change]:
    """Everything that is worth a try; of the same problem and plan the same, in the same order."""
    found: list[Change] = []
    out = [carrier for carrier in problem.carriers if carrier.id not in assignments]
    kinds = {carrier.kind for carrier in out}
    # What shields the kinds left out is tried first: where time is short, that buys most.
    ordered = sorted(
        enumerate(problem.products), key=lambda item: item[1].kinds is not None and not kinds & item[1].kinds
    )
    for row, rule in ordered:
        if rule.treatment == "forbid":
            rules = (*problem.products[:row], *problem.products[row + 1 :])
            name = f"products[{row}] {rule.family}"
            found.append(Change("relax", name, replace(problem, products=rules), assignments))
    for row, blocked in enumerate(problem.blocked):
        if not any(_in_reach(blocked, carrier) for carrier in out):
            continue
        rest = (*problem.blocked[:row], *problem.blocked[row + 1 :])
        name = f"blocked[{row}] {blocked.id or ''} {blocked.low_hz}–{blocked.high_hz} Hz"
        found.append(Change("open", name, replace(problem, blocked=rest), assignments))
    halved = tuple(replace(row, min_hz=row.min_hz // 2) for row in problem.separations)
    if any(row.treatment == "forbid" for row in halved):
        changed = replace(problem, separations=halved)
        found.append(Change("relax", "separations, all to half", changed, assignments))
    for code in _yielding(problem, assignments):
        carriers = tuple(c for c in problem.carriers if c.id != code)
        plan = {other: hz for other, hz in assignments.items() if other != code}
        found.append(Change("withdraw", code, replace(problem, carriers=carriers), plan))
    return found


def _in_reach(blocked: Blocked, carrier: Carrier) -> bool:
    """Whether a carrier could stand in a blocked range, or reach into it."""
    return any(
        part.low_hz - carrier.bandwidth_hz < blocked.high_hz
        and blocked.low_hz < part.high_hz + carrier.bandwidth_hz
        for part in carrier.tuning
    )


def _yielding(problem: Problem, assignments: Mapping[str, int]) -> list[str]:
    """Placed carriers of a lower priority that stand where somebody left out is, nobody's partner: at most a dozen."""
    bound = {code for pair in problem.pairs for code in (pair.first, pair.second)}
    bound |= {code for span in problem.spans for code in span.carriers}
    bound |= {code for row in problem.separations for code in row.carriers or ()}
    out = [c for c in problem.carriers if c.id not in assignments]
    return [
        c.id
        for c in problem.carriers
        if c.id in assignments
        and c.fixed_hz is None
        and c.id not in bound
        and any(c.priority > o.priority and c.stands & o.stands and set(c.slots) & set(o.slots) for o in out)
    ][:TRIED]
