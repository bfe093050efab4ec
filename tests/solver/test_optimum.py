"""Random small problems: as good as trying everything and as a general constraint solver; and what must not matter."""

import copy
import itertools
import random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from ortools.sat.python import cp_model

from apps.solver import read_problem, solve
from tests.solver import exhaustive
from tests.solver.plain import Plain
from tests.solver.strategies import crowded, documents

anything = settings(deadline=None, suppress_health_check=list(HealthCheck))


@given(documents(carriers=4, points=3), st.integers(0, 3))
@settings(anything, max_examples=60)
def test_as_good_as_trying_everything(document, seed):
    best, _ = exhaustive.best(document)
    plan = solve(read_problem(document), seconds=10, seed=seed).assignments
    assert Plain(document).rank(plan) == pytest.approx(best, abs=1e-5)


@given(crowded(), st.integers(0, 3))
@settings(anything, max_examples=20)
def test_as_many_of_a_crowd_as_trying_everything(document, seed):
    best, _ = exhaustive.best(document)
    plan = solve(read_problem(document), seconds=10, seed=seed).assignments
    assert Plain(document).rank(plan) == pytest.approx(best, abs=1e-5)


# -- OR-Tools CP-SAT on spacing alone -----------------------------------------------------------------


def most_placed(document):
    """The largest number of carriers that keep their distances, proved by CP-SAT."""
    plain, model = Plain(document), cp_model.CpModel()
    point = {(i, f): model.new_bool_var(f"{i}@{f}") for i in plain.carriers for f in plain.raster(i)}
    for i in plain.carriers:
        model.add_at_most_one(point[i, f] for f in plain.raster(i))
    for i, j in itertools.combinations(plain.carriers, 2):
        if plain.together(i, j):
            need = plain.needs(i, j)
            for f, g in itertools.product(plain.raster(i), plain.raster(j)):
                if abs(f - g) < need:
                    model.add_at_most_one([point[i, f], point[j, g]])
    model.maximize(sum(point.values()))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.max_time_in_seconds = 60
    assert solver.solve(model) == cp_model.OPTIMAL
    return round(solver.objective_value)


@pytest.mark.parametrize("seed", range(6))
def test_spacing_as_good_as_a_constraint_solver(seed):
    """Ten to sixteen carriers of three kinds in two places and two slots, more than fit."""
    pick = random.Random(seed)
    kinds, zones = ["a", "b", "c"], ["y", "z"]

    def tuning():
        low = 1000 + 10 * pick.randrange(4)
        return [{"low_hz": low, "high_hz": low + 10 * pick.randrange(4, 14), "step_hz": 10}]

    document = {
        "format": "planning-problem/1",
        "zones": [{"id": zone} for zone in zones],
        "slots": ["s", "t"],
        "carriers": [
            {
                "id": f"c{k}", "zone": pick.choice(zones), "kind": pick.choice(kinds), "tuning": tuning(),
                "bandwidth_hz": pick.choice([0, 10]), "slots": pick.choice([["s"], ["t"], ["s", "t"]]),
            }
            for k in range(pick.randrange(10, 17))
        ],
        "separations": [
            {"zones": [z, y], "kinds": [k, m], "min_hz": 10 * pick.randrange(1, 5) if z == y else 10}
            for z, y in itertools.combinations_with_replacement(zones, 2)
            for k, m in itertools.combinations_with_replacement(kinds, 2)
        ],
    }  # fmt: skip
    result = solve(read_problem(document), seconds=20)
    assert not Plain(document).broken(result.assignments)
    assert len(result.assignments) == most_placed(document)
    assert result.bound.unplaced_at_least <= len(result.unplaced)


# -- what must not matter -----------------------------------------------------------------------------


@given(documents(), st.integers(0, 9))
@settings(anything, max_examples=20)
def test_same_seed_same_result(document, seed):
    first, second = (solve(read_problem(document), seconds=10, seed=seed).document() for _ in range(2))
    assert first | {"elapsed_s": 0} == second | {"elapsed_s": 0}


@given(documents(), st.integers(0, 3))
@settings(anything, max_examples=60)
def test_a_fixed_carrier_never_moves(document, seed):
    plan = solve(read_problem(document), seconds=10, seed=seed).assignments
    for carrier in document["carriers"]:
        if carrier.get("fixed_hz") is not None:
            assert plan[carrier["id"]] == carrier["fixed_hz"]


def shifted(document, by):
    """The same problem with every frequency higher by so many hertz; distances and offsets stay."""
    moved = copy.deepcopy(document)

    def shift(row, *names):
        for name in names:
            if row.get(name) is not None:
                row[name] += by

    for carrier in moved["carriers"]:
        shift(carrier, "fixed_hz", "previous_hz")
        for part in carrier["tuning"]:
            shift(part, "low_hz", "high_hz")
    for row in (*moved["blocked"], *(band for zone in moved["zones"] for band in zone.get("passband", []))):
        shift(row, "low_hz", "high_hz")
    for row in moved["noise"]:
        shift(row, "low_hz")
    return moved


@given(documents(carriers=4, points=3), st.integers(1, 10**9))
@settings(anything, max_examples=20)
def test_shifting_all_frequencies_shifts_the_plan(document, by):
    plan = solve(read_problem(document), seconds=10).assignments
    higher = solve(read_problem(shifted(document, by)), seconds=10).assignments
    assert higher == {code: hz + by for code, hz in plan.items()}


@given(documents(carriers=4, points=3), st.randoms(use_true_random=False))
@settings(anything, max_examples=20)
def test_names_do_not_matter(document, pick):
    """Other names for carriers, zones and slots: the same plan under those names."""
    renamed = copy.deepcopy(document)
    names = [
        *(c["id"] for c in document["carriers"]),
        *(z["id"] for z in document["zones"]),
        *document["slots"],
    ]
    other = dict(zip(names, pick.sample([f"n{k}" for k in range(99)], len(names)), strict=True))

    def rename(part):
        if isinstance(part, dict):
            return {other.get(key, key): rename(value) for key, value in part.items()}
        if isinstance(part, list):
            return [rename(value) for value in part]
        return other.get(part, part) if isinstance(part, str) else part

    plan = solve(read_problem(document), seconds=10).assignments
    assert solve(read_problem(rename(renamed)), seconds=10).assignments == {
        other[code]: hz for code, hz in plan.items()
    }
