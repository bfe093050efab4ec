"""Published answers, reached by search: the same cases shifted, scaled and relabelled, so that no table could help."""

from typing import Any

import numpy as np
import pytest

from apps.solver import read_problem, solve, verify
from apps.solver.published import philadelphia

# Length of the shortest ruler of n marks with distinct differences (optimal Golomb rulers), OEIS A003022.
DISTINCT_DIFFERENCES = {4: 6, 5: 11, 6: 17, 7: 25, 8: 34}
# Least k such that n of the numbers 1 … k hold no three in arithmetic progression, OEIS A065825.
PROGRESSION_FREE = {4: 5, 8: 14, 9: 20, 11: 26}


def one_place(marks: int, points: int, families: tuple[str, ...], variant: int) -> dict[str, Any]:
    """`marks` carriers on a raster of `points`, mutually coupled, any product at all forbidden."""
    random = np.random.default_rng(variant)
    step = int(random.choice([6_250, 12_500, 25_000, 100_000]))
    low = 470_000_000 + int(random.integers(0, 4_000)) * 12_500
    names = [
        f"{chr(97 + int(letter))}{number}" for number, letter in enumerate(random.integers(0, 26, marks))
    ]
    return {
        "format": "planning-problem/1",
        "zones": [{"id": "z"}],
        "carriers": [
            {
                "id": name, "zone": "z", "kind": "c",
                "tuning": [{"low_hz": low, "high_hz": low + (points - 1) * step, "step_hz": step}],
            }
            for name in names
        ],
        "separations": [{"zones": ["z", "z"], "kinds": ["c", "c"], "min_hz": step}],
        "products": [{"family": family, "guard_hz": step, "treatment": "forbid"} for family in families],
    }  # fmt: skip


@pytest.mark.parametrize("variant", [0, 1, 2])
@pytest.mark.parametrize(("marks", "length"), DISTINCT_DIFFERENCES.items())
def test_distinct_differences_at_the_published_length(marks: int, length: int, variant: int) -> None:
    problem = read_problem(one_place(marks, length + 1, ("2A-B", "A+B-C"), variant))
    result = solve(problem, seconds=60, seed=variant)
    assert len(result.assignments) == marks and verify(problem, result.assignments).ok


@pytest.mark.parametrize("marks", [4, 5, 6])
def test_one_step_shorter_leaves_one_out_and_says_that_it_must(marks: int) -> None:
    problem = read_problem(one_place(marks, DISTINCT_DIFFERENCES[marks], ("2A-B", "A+B-C"), marks))
    result = solve(problem, seconds=60, seed=0)
    assert len(result.unplaced) == 1 == result.bound.unplaced_at_least


@pytest.mark.parametrize("variant", [0, 1, 2])
@pytest.mark.parametrize(("marks", "numbers"), PROGRESSION_FREE.items())
def test_no_three_in_progression_at_the_published_length(marks: int, numbers: int, variant: int) -> None:
    # 2A−B on a third carrier is an arithmetic progression of the three.
    problem = read_problem(one_place(marks, numbers, ("2A-B",), variant))
    result = solve(problem, seconds=60, seed=variant)
    assert len(result.assignments) == marks and verify(problem, result.assignments).ok


@pytest.mark.parametrize("name", ["P1", "P2", "P3", "P5", "P6"])
def test_philadelphia_at_the_published_span(name: str) -> None:
    """Carriers come in any order, at any frequencies, on any step."""
    random = np.random.default_rng(int(name[1]))
    document = philadelphia(name)
    random.shuffle(document["carriers"])
    for carrier in document["carriers"]:
        (part,) = carrier["tuning"]
        carrier["tuning"] = [
            {
                **part,
                "low_hz": part["low_hz"] * 2 + 7,
                "high_hz": part["high_hz"] * 2 + 7,
                "step_hz": part["step_hz"] * 2,
            }
        ]
    for row in document["separations"]:
        row["min_hz"] *= 2
    problem = read_problem(document)
    result = solve(problem, seconds=600, seed=int(random.integers(100)))
    assert not result.unplaced and verify(problem, result.assignments).ok
