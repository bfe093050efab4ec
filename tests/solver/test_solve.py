"""Solving small random problems: whatever the search does, the plain count must find it clean, and nobody idle is left out."""

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from apps.solver import read_problem, solve, verify
from apps.solver.problem import Carrier, Problem
from tests.solver.strategies import documents


def points(carrier: Carrier) -> list[int]:
    return sorted({hz for t in carrier.tuning for hz in range(t.low_hz, t.high_hz + 1, t.step_hz)})


def idle(problem: Problem, assignments: dict[str, int]) -> list[tuple[str, int]]:
    """Clean points of carriers that were left out, those of pairs excepted."""
    paired = {code for pair in problem.pairs for code in (pair.first, pair.second)}
    standing = {str(breach) for breach in verify(problem, assignments).breaches}
    return [
        (carrier.id, hz)
        for carrier in problem.carriers
        if carrier.id not in assignments and carrier.id not in paired
        for hz in points(carrier)[:40]
        if not {str(b) for b in verify(problem, {**assignments, carrier.id: hz}).breaches} - standing
    ]


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(documents(), st.integers(0, 3))
def test_a_plan_is_clean_and_leaves_nobody_out_who_has_a_clean_point(document, seed):
    problem = read_problem(document)
    result = solve(problem, seconds=5, seed=seed)
    assignments = dict(result.assignments)
    fixed = {c.id: c.fixed_hz for c in problem.carriers if c.fixed_hz is not None}
    before = {str(breach) for breach in verify(problem, fixed).breaches}
    assert not {str(b) for b in verify(problem, assignments).breaches} - before
    assert {row.id for row in result.unplaced} == {c.id for c in problem.carriers} - set(assignments)
    assert all(abs(sum(cause["share"] for cause in row.blocked_by) - 1) < 1e-4 for row in result.unplaced)
    assert idle(problem, assignments) == []
