"""Carriers that differ only in name: their frequencies rise with their order, and the plan stays what it was."""

from hypothesis import given, settings
from hypothesis import strategies as st

from apps.solver import read_problem, solve, verify
from apps.solver.twins import in_order, twins
from tests.solver.strategies import documents


@settings(max_examples=40, deadline=None)
@given(given_document=documents(), seed=st.integers(0, 3))
def test_renaming_twins_changes_nothing_but_names(given_document, seed) -> None:
    problem = read_problem(given_document)
    result = solve(problem, seconds=5, seed=seed)
    verdict = verify(problem, result.assignments)
    assert verdict.breaches == ()
    assert result.cost["penalty"] == round(verdict.penalty, 6)
    for group in twins(problem):
        placed = [result.assignments.get(code) for code in group]
        there = [hertz for hertz in placed if hertz]
        assert placed == sorted(there) + [None] * (len(group) - len(there))
    assert in_order(problem, result) == result


def document(**more) -> dict:
    tuning = [{"low_hz": 470_000_000, "high_hz": 480_000_000, "step_hz": 25_000}]
    carrier = {"zone": "main", "kind": "mic", "tuning": tuning, "bandwidth_hz": 200_000}
    return {
        "format": "planning-problem/1", "zones": [{"id": "main"}],
        "carriers": [{"id": f"M{n}", **carrier} for n in range(1, 6)], **more,
    }  # fmt: skip


def test_whoever_is_bound_by_name_is_nobodys_twin() -> None:
    everybody = ["M1", "M2", "M3", "M4", "M5"]
    assert twins(read_problem(document())) == [everybody]
    named = document(separations=[{"carriers": ["M1", "M2"], "min_hz": 8_000_000}])
    assert twins(read_problem(named)) == [everybody[2:]]
    paired = document(pairs=[{"carriers": ["M1", "M2"], "offset_hz": 1_000_000}])
    assert twins(read_problem(paired)) == [everybody[2:]]
    spanned = document(spans=[{"carriers": ["M1", "M2"], "max_span_hz": 1_000_000}])
    assert twins(read_problem(spanned)) == [everybody[:2], everybody[2:]]
