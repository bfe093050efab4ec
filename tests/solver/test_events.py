"""The generator of benchmark events: valid, repeatable, of the size asked for, and using what it says it uses."""

import json

import pytest

from apps.solver.events import KINDS, event
from apps.solver.problem import read_problem


@pytest.mark.parametrize(
    ("carriers", "stages", "slots"), [(1, 1, 1), (40, 2, 3), (300, 5, 8), (2000, 30, 20)]
)
def test_of_any_size(carriers, stages, slots):
    problem = read_problem(event(carriers=carriers, stages=stages, slots=slots, seed=3))
    assert sum(carrier.fixed_hz is None for carrier in problem.carriers) == carriers
    assert (len(problem.zones), len(problem.slots)) == (3 * stages, slots)


def test_same_arguments_same_event():
    assert event(carriers=50, seed=4) == event(carriers=50, seed=4)
    assert event(carriers=50, seed=4) != event(carriers=50, seed=5)


def test_as_json_and_back():
    document = event(carriers=30, stages=2, slots=2)
    assert json.loads(json.dumps(document)) == document


def test_uses_every_clause_that_it_promises():
    document = event(carriers=800, stages=8, slots=10, seed=2)
    problem = read_problem(document)
    assert {carrier.kind for carrier in problem.carriers} == set(KINDS)
    assert any(len(carrier.sent_from) > 1 for carrier in problem.carriers)
    assert any(not carrier.mixes for carrier in problem.carriers)
    assert any(len(carrier.slots) == 10 for carrier in problem.carriers)
    assert any(len(carrier.slots) == 1 for carrier in problem.carriers)
    assert {rule.made_in for rule in problem.products} == {"receivers", "transmitters"}
    assert {row.treatment for row in problem.separations} == {"forbid", "penalise"}
    assert all(document[name] for name in ("blocked", "pairs", "spans", "noise"))


def test_the_share_that_is_taken():
    assert len(event(carriers=1, taken=0)["blocked"]) == 0
    assert len(event(carriers=1, taken=0.5)["blocked"]) == 14  # of 28 television channels


def test_repeaters_are_tuned_to_meet():
    problem = read_problem(event(carriers=500, stages=4, slots=4))
    carrier = {c.id: c for c in problem.carriers}
    for pair in problem.pairs:
        below, above = carrier[pair.first], carrier[pair.second]
        (low,), (high,) = below.tuning, above.tuning
        assert below.slots == above.slots
        assert low.high_hz + pair.offset_hz <= high.high_hz
        assert (low.low_hz + pair.offset_hz - high.low_hz) % high.step_hz == 0
