"""What would place those who were left out: which rule relaxed, range opened, limit widened, neighbour moved or lower priority
withdrawn buys how many.

Every answer is tried, not estimated: the problem is changed in that one respect, the plan stays as it is, and the ones left out
are placed into it, with nobody else moved. So a remedy may buy more than it says, never less. What is likely to help is tried
first: by the shares that the causes of being left out name.
"""

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from apps.solver.arrays import Arrays
from apps.solver.problem import Blocked, Carrier, Problem, ProductRule, Tuning
from apps.solver.search import Search
from apps.solver.standing import place_alone

TRIED = 12


@dataclass(frozen=True)
class Remedy:
    """One change and whom it would place. `what` is relax, open, widen, move or withdraw; `name` says which rule, range,
    tuning or carrier. `moved_hz`: where the one that moves goes."""

    what: str
    name: str
    places: tuple[str, ...]
    moved_hz: int | None = None


@dataclass(frozen=True)
class Change:
    """The problem, and the plan that stands in it, with one respect changed; not yet tried.

    `worth` is the share of what those left out can tune that their causes lay to what is changed: a guess, to begin with the
    best. `moving`: who is lifted out of the plan and has to find another place."""

    what: str
    name: str
    problem: Problem
    plan: Mapping[str, int]
    worth: float = 0.0
    moving: str = ""


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
        if (bought := buys(change, out - as_it_stands)).places:
            found.append(bought)
    return tuple(sorted(found, key=lambda remedy: -len(remedy.places)))


def placeable(
    problem: Problem, assignments: Mapping[str, int], *, should_stop: Callable[[], bool] = lambda: False
) -> tuple[str, ...]:
    """Those left out who have room as the plan stands: nothing has to change for them, and nobody to move."""
    out = {c.id for c in problem.carriers if c.id not in assignments}
    return _placed(Change("", "", problem, assignments), out, should_stop).places


def buys(change: Change, of: Collection[str], *, should_stop: Callable[[], bool] = lambda: False) -> Remedy:
    """Whom of these a change would place, everybody else staying where they are; of no use once somebody asked to stop."""
    out = {c.id for c in change.problem.carriers if c.id not in change.plan} - {change.moving}
    bought = _placed(change, out, should_stop)
    return replace(bought, places=tuple(code for code in bought.places if code in of))


def _placed(change: Change, wanted: set[str], should_stop: Callable[[], bool]) -> Remedy:
    problem = change.problem
    arrays = Arrays(problem)
    resting = Search(problem, arrays=arrays, readers=())
    resting.hz[:] = np.array([change.plan.get(c.id, 0) for c in problem.carriers], np.int64)
    left = resting.left()
    mover = next((unit for unit in left if problem.carriers[unit.first].id == change.moving), None)
    placed: list[str] = []
    for unit in left:
        if should_stop():
            break
        codes = [problem.carriers[i].id for i in unit.members]
        if not wanted >= set(codes):
            continue
        before = resting.hz.copy()
        if not place_alone(problem, arrays, resting.hz, unit):
            continue
        # Who moves must find a place beside everybody for whom it moves.
        if mover and not place_alone(problem, arrays, resting.hz.copy(), mover):
            resting.hz[:] = before
            continue
        placed += codes
    moved = None
    if mover and placed and place_alone(problem, arrays, resting.hz, mover):
        moved = int(resting.hz[mover.first])
    return Remedy(change.what, change.name, tuple(placed), moved)


@dataclass(frozen=True)
class Blame:
    """What takes how much of what those left out can tune, summed over them all, by carrier, family and range."""

    carriers: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))
    families: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))
    ranges: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))
    spacing: float = 0.0

    @classmethod
    def of(cls, causes: Iterable[Mapping[str, Any]]) -> "Blame":
        found, spacing = cls(), 0.0
        for cause in causes:
            share = float(cause["share"])
            if cause["cause"] == "separation":
                spacing += share
                found.carriers[cause["carrier"]] += share
            elif cause["cause"] == "blocked":
                found.ranges[str(cause.get("blocked"))] += share
            elif cause["cause"] == "product":
                found.families[str(cause.get("family"))] += share
                for code in cause.get("carriers") or ():
                    found.carriers[code] += share / len(cause["carriers"])
        return replace(found, spacing=spacing)


def changes(
    problem: Problem,
    assignments: Mapping[str, int],
    *,
    causes: Iterable[Mapping[str, Any]] = (),
    wider: Mapping[str, Mapping[str, tuple[Tuning, ...]]] | None = None,
    may_move: Collection[str] = (),
    may_go: Collection[str] | None = None,
) -> list[Change]:
    """Everything that is worth a try, the most promising first; of the same problem and plan the same, in the same order.

    `causes`: why those left out are, as a result tells it. `wider`: {name: {carrier: what it could tune if somebody let it}}.
    `may_move`: the placed ones of whom another place may be asked; `may_go`: those who may lose theirs, all where None.
    """
    blame = Blame.of(causes)
    found = _wider(problem, assignments, wider or {}) + _moves(problem, assignments, may_move, blame)
    out = [carrier for carrier in problem.carriers if carrier.id not in assignments]
    kinds = {carrier.kind for carrier in out}
    # What shields the kinds left out is tried first: where time is short, that buys most.
    ordered = sorted(enumerate(problem.products), key=lambda item: not _shields(item[1], kinds))
    for row, rule in ordered:
        if rule.treatment == "forbid":
            rules = (*problem.products[:row], *problem.products[row + 1 :])
            name = f"products[{row}] {rule.family}"
            worth = blame.families[rule.family] if _shields(rule, kinds) else 0.0
            found.append(Change("relax", name, replace(problem, products=rules), assignments, worth))
    for row, blocked in enumerate(problem.blocked):
        if not any(_in_reach(blocked, carrier) for carrier in out):
            continue
        rest = (*problem.blocked[:row], *problem.blocked[row + 1 :])
        name = f"blocked[{row}] {blocked.id or ''} {blocked.low_hz}–{blocked.high_hz} Hz"
        worth = blame.ranges[str(blocked.id)]
        found.append(Change("open", name, replace(problem, blocked=rest), assignments, worth))
    halved = tuple(replace(row, min_hz=row.min_hz // 2) for row in problem.separations)
    if any(row.treatment == "forbid" for row in halved):
        changed = replace(problem, separations=halved)
        found.append(Change("relax", "separations, all to half", changed, assignments, blame.spacing / 2))
    for code in _yielding(problem, assignments, blame, may_go):
        carriers = tuple(c for c in problem.carriers if c.id != code)
        plan = _without(assignments, code)
        found.append(
            Change("withdraw", code, replace(problem, carriers=carriers), plan, blame.carriers[code])
        )
    return sorted(found, key=lambda change: -change.worth)


def _shields(rule: ProductRule, kinds: set[str]) -> bool:
    return rule.kinds is None or bool(kinds & rule.kinds)


def _without(assignments: Mapping[str, int], code: str) -> dict[str, int]:
    return {other: hz for other, hz in assignments.items() if other != code}


def _wider(
    problem: Problem, assignments: Mapping[str, int], wider: Mapping[str, Mapping[str, tuple[Tuning, ...]]]
) -> list[Change]:
    """What somebody set too narrow is tried first of all: it costs nobody else anything."""
    found = []
    for name, tuning in wider.items():
        carriers = tuple(
            replace(carrier, tuning=tuning[carrier.id]) if carrier.id in tuning else carrier
            for carrier in problem.carriers
        )
        worth = float(sum(code not in assignments for code in tuning))
        found.append(Change("widen", name, replace(problem, carriers=carriers), assignments, worth))
    return found


def _moves(
    problem: Problem, assignments: Mapping[str, int], may_move: Collection[str], blame: Blame
) -> list[Change]:
    """Those who may move and are most in the way, nobody's partner: at most a dozen."""
    bound = _bound(problem)
    placed = {c.id for c in problem.carriers if c.fixed_hz is None and c.id in assignments}
    free = (placed & set(may_move)) - bound
    worst = sorted(
        (code for code in free if blame.carriers[code] > 0), key=lambda code: (-blame.carriers[code], code)
    )
    return [
        Change("move", code, problem, _without(assignments, code), blame.carriers[code], code)
        for code in worst[:TRIED]
    ]


def _in_reach(blocked: Blocked, carrier: Carrier) -> bool:
    """Whether a carrier could stand in a blocked range, or reach into it."""
    return any(
        part.low_hz - carrier.bandwidth_hz < blocked.high_hz
        and blocked.low_hz < part.high_hz + carrier.bandwidth_hz
        for part in carrier.tuning
    )


def _bound(problem: Problem) -> set[str]:
    """Whoever a rule ties to others by name."""
    bound = {code for pair in problem.pairs for code in (pair.first, pair.second)}
    bound |= {code for span in problem.spans for code in span.carriers}
    return bound | {code for row in problem.separations for code in row.carriers or ()}


def _yielding(
    problem: Problem, assignments: Mapping[str, int], blame: Blame, may_go: Collection[str] | None
) -> list[str]:
    """Placed carriers of a lower priority that stand where somebody left out is, nobody's partner: a dozen, the worst first."""
    bound = _bound(problem)
    out = [c for c in problem.carriers if c.id not in assignments]
    found = [
        c.id
        for c in problem.carriers
        if c.id in assignments
        and c.fixed_hz is None
        and (may_go is None or c.id in may_go)
        and c.id not in bound
        and any(c.priority > o.priority and c.stands & o.stands and set(c.slots) & set(o.slots) for o in out)
    ]
    return sorted(found, key=lambda code: -blame.carriers[code])[:TRIED]
