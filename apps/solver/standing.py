"""What stands: the plan that a problem brings along as `fixed_hz` and `previous_hz`, and placing a few newcomers into it.

A site that is running must not be woken by a late crew. So a newcomer is first tried against everybody else as they are, and
for that only the places and slots that it touches are looked at.
"""

import numpy as np

from apps.solver.arrays import Arrays, Ints
from apps.solver.problem import Problem
from apps.solver.search import Search, Unit
from apps.solver.verify import verify

FEW = 24
MANY = 150


def standing(problem: Problem, arrays: Arrays) -> Ints:
    """The fixed carriers, and of the previous plan what is clean together: whoever breaks a rule is taken out of it."""
    hz: Ints = np.zeros(arrays.n, np.int64)
    for i, carrier in enumerate(problem.carriers):
        hz[i] = carrier.fixed_hz or carrier.previous_hz or 0
    fixed = arrays.fixed
    before = {row.id for row in problem.carriers if row.fixed_hz is not None}
    while (hz[~fixed] > 0).any():
        plan = {carrier.id: int(hz[i]) for i, carrier in enumerate(problem.carriers) if hz[i]}
        broken = [b for b in verify(problem, plan).breaches if not before >= {b.victim, *b.others}]
        out = {
            i
            for breach in broken
            for i in [next((k for k in _concerned(arrays, breach.victim, breach.others) if not fixed[k]), -1)]
            if i >= 0
        }
        if not out:
            if broken:
                hz[~fixed] = 0
            break
        hz[sorted(out)] = 0
        _part_pairs(problem, arrays, hz)
    return hz


def _concerned(arrays: Arrays, victim: str, others: tuple[str, ...]) -> list[int]:
    return [arrays.number[code] for code in (victim, *others) if code in arrays.number]


def _part_pairs(problem: Problem, arrays: Arrays, hz: Ints) -> None:
    """Where one end of a pair is gone, so is the other."""
    changed = True
    while changed:
        changed = False
        for pair in problem.pairs:
            ends = [arrays.number[pair.first], arrays.number[pair.second]]
            if any(hz[i] == 0 for i in ends):
                for i in ends:
                    if hz[i] and not arrays.fixed[i]:
                        hz[i], changed = 0, True


def place_alone(problem: Problem, arrays: Arrays, hz: Ints, unit: Unit) -> bool:
    """Place a unit into a clean plan with nobody moved; only its own places and slots are built. Writes into hz."""
    search = beside(problem, arrays, hz, unit.members)
    placed = search.place(search.unit_of[unit.first], thorough=True)
    for i in unit.members:
        hz[i] = search.hz[i]
    return placed


def beside(problem: Problem, arrays: Arrays, hz: Ints, members: tuple[int, ...]) -> Search:
    """A search in which only these carriers, lifted, can be looked at; everybody else stands."""
    slots = arrays.kept_slots
    slots = slots[arrays.on[np.array(members)][:, slots].any(axis=0)]
    others = hz.copy()
    others[list(members)] = 0
    search = Search(problem, arrays=arrays, readers=members, slots=slots, standing=others)
    search.start(others)
    return search
