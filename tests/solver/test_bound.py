"""Lower bounds: never above what the best plan leaves out, and as good as published on cases with known answers."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from apps.solver.bound import lower_bound
from apps.solver.problem import read_problem
from apps.solver.published import PHILADELPHIA, philadelphia
from apps.solver.rulers import Rulers
from tests.solver import exhaustive
from tests.solver.plain import Plain
from tests.solver.strategies import crowded, documents

# OEIS A003022: length of the shortest ruler of n marks with distinct differences (Golomb ruler), n = 2, 3, …
DISTINCT_DIFFERENCES = {2: 1, 3: 3, 4: 6, 5: 11, 6: 17, 7: 25, 8: 34}
# OEIS A065825: the least N for which n numbers of 1 … N hold no three in arithmetic progression, n = 1, 2, …
PROGRESSION_FREE = [1, 2, 4, 5, 9, 11, 13, 14, 20, 24, 26, 30, 32, 36, 40, 41]


def coupled(
    count, length, *, families=("2A-B", "A+B-C"), spacing=1, guard=1, step_hz=25_000, low_hz=470_000_000
):
    """Carriers of one place that all hear each other, on a raster of length + 1 points."""
    tuning = [{"low_hz": low_hz, "high_hz": low_hz + length * step_hz, "step_hz": step_hz}]
    return {
        "format": "planning-problem/1",
        "zones": [{"id": "z"}],
        "carriers": [{"id": f"c{k}", "zone": "z", "kind": "c", "tuning": tuning} for k in range(count)],
        "separations": [{"zones": ["z", "z"], "kinds": ["c", "c"], "min_hz": spacing * step_hz}],
        "products": [{"family": f, "guard_hz": guard * step_hz, "treatment": "forbid"} for f in families],
    }


def bound(document):
    return lower_bound(read_problem(document))


# -- never wrong ------------------------------------------------------------------------------------


def left_out(document):
    _, plan = exhaustive.best(document)
    return len(document["carriers"]) - len(plan)


@given(documents(carriers=4, points=3))
@settings(max_examples=30, deadline=None)
def test_never_above_the_best_plan(document):
    assert bound(document).unplaced_at_least <= left_out(document)


@given(crowded())
@settings(max_examples=60, deadline=None)
def test_never_above_the_best_plan_of_a_crowd(document):
    assert bound(document).unplaced_at_least <= left_out(document)


@given(st.integers(1, 3), st.integers(0, 4), st.integers(0, 4), st.integers(0, 14), st.integers(1, 6))
@settings(max_examples=30, deadline=None)
def test_rulers_against_every_set_of_marks(spacing, two, three, length, most):
    """`holds` is never below the truth, and equal to it while the search is not cut short."""
    families = {"2A-B": two, "A+B-C": three}
    document = coupled(most, length, families=[], spacing=spacing, step_hz=1, low_hz=100)
    document["products"] = [
        {"family": f, "guard_hz": g, "treatment": "forbid"} for f, g in families.items() if g
    ]
    plain = Plain(document)
    held = Rulers(spacing, two, three).holds(length, most)

    def fits(marks):
        return not plain.broken({f"c{k}": 100 + mark for k, mark in enumerate(marks)})

    def most_from(marks):
        rest = range(marks[-1] + spacing, length + 1) if len(marks) < most else ()
        return max([len(marks), *(most_from([*marks, x]) for x in rest if fits([*marks, x]))])

    truth = most_from([0])
    assert held >= truth
    # A+B−C with letters in another order than the marks' is left to spacing, so only these are exact.
    if spacing >= max(two, three):
        assert held == truth


# -- as good as published ---------------------------------------------------------------------------


@pytest.mark.parametrize(("marks", "length"), DISTINCT_DIFFERENCES.items())
def test_distinct_differences(marks, length):
    assert bound(coupled(marks, length)).unplaced_at_least == 0
    short = bound(coupled(marks, length - 1))
    assert short.unplaced_at_least == 1
    assert f"of the {marks} carriers" in short.why


@pytest.mark.parametrize("marks", range(3, len(PROGRESSION_FREE) + 1))
def test_progression_free(marks):
    length = PROGRESSION_FREE[marks - 1] - 1
    assert bound(coupled(marks, length, families=["2A-B"])).unplaced_at_least == 0
    assert bound(coupled(marks, length - 1, families=["2A-B"])).unplaced_at_least == 1


def test_shifted_scaled_and_relabelled_cases_are_the_same():
    document = coupled(6, 16, step_hz=12_500, low_hz=650_012_500)
    for k, carrier in enumerate(document["carriers"]):
        carrier["id"] = f"x{97 * k % 31}"
    assert bound(document).unplaced_at_least == 1
    document["carriers"].reverse()
    assert bound(document).unplaced_at_least == 1


def test_rulers_are_exact_as_far_as_published():
    rulers = Rulers(1, 1, 1)
    assert rulers.holds(34, 9) == 8
    assert rulers.shortest[2:9] == list(DISTINCT_DIFFERENCES.values())
    free = Rulers(1, 1, 0)
    assert free.holds(40, 16) == 16
    assert [length + 1 for length in free.shortest[1:]] == PROGRESSION_FREE


@pytest.mark.parametrize("name", ["P3", "P5"])
def test_cliques_close_philadelphia(name):
    """The survey names the largest clique as the bound that is reached on P3 and P5."""
    optimum = PHILADELPHIA[name][2]
    assert bound(philadelphia(name)).unplaced_at_least == 0
    assert bound(philadelphia(name, optimum - 1)).unplaced_at_least >= 1
    assert bound(philadelphia(name, optimum - 20)).unplaced_at_least >= 20


def test_chain_of_the_largest_cell_of_philadelphia():
    """77 channels of one cell, 5 apart: a span of 380 at least."""
    assert bound(philadelphia("P1", 380)).unplaced_at_least == 0
    assert bound(philadelphia("P1", 379)).unplaced_at_least >= 1


@pytest.mark.parametrize("name", PHILADELPHIA)
def test_no_bound_contradicts_a_published_plan(name):
    assert bound(philadelphia(name)).unplaced_at_least == 0


# -- clause by clause -------------------------------------------------------------------------------


def test_a_carrier_without_a_frequency_says_so():
    document = coupled(2, 4, families=[])
    document["blocked"] = [{"low_hz": 1, "high_hz": 10**12, "kinds": ["d"]}]
    document["carriers"][1]["kind"] = "d"
    told = bound(document)
    assert (told.unplaced_at_least, told.why) == (
        1,
        "c1 has no frequency that blocked ranges and fixed carriers leave.",
    )


def test_a_fixed_carrier_takes_what_lies_around_it():
    document = coupled(2, 4, families=[], spacing=3)
    document["carriers"][0]["fixed_hz"] = 470_050_000
    assert bound(document).unplaced_at_least == 1


def test_the_partner_of_a_lost_one_is_lost():
    document = coupled(3, 4, families=[])
    document["carriers"][1]["tuning"] = []
    document["pairs"] = [{"carriers": ["c1", "c2"], "offset_hz": 0}]
    told = bound(document)
    assert told.unplaced_at_least == 2
    assert "without its partner c1" in told.why


def test_stretches_between_blocked_ranges_are_counted_apart():
    """Two stretches of 4 steps hold two carriers each at 3 steps apart, though 12 steps in one piece would hold five."""
    document = coupled(5, 12, families=[], spacing=3)
    document["blocked"] = [{"low_hz": 470_100_001, "high_hz": 470_199_999}]
    told = bound(document)
    assert told.unplaced_at_least == 1
    assert "at most 4 fit" in told.why


def test_kinds_are_chained_by_width():
    """Wide ones need 10, narrow ones 2, neighbours 6: four wide and, between two of them, a narrow one take 10 + 10 + 12."""
    document = coupled(5, 31, families=[], spacing=10)
    document["carriers"][4]["kind"] = "d"
    for kinds, apart in ((["c", "d"], 6), (["d", "d"], 2)):
        document["separations"].append({"zones": ["z", "z"], "kinds": kinds, "min_hz": apart * 25_000})
    assert bound(document).unplaced_at_least == 1
    for carrier in document["carriers"]:
        carrier["tuning"] = [{"low_hz": 470_000_000, "high_hz": 470_000_000 + 32 * 25_000, "step_hz": 25_000}]
    assert bound(document).unplaced_at_least == 0
    assert left_out(document) == 0


def test_slots_are_counted_apart():
    document = coupled(6, 2, families=[])
    document["slots"] = ["fri", "sat"]
    for k, carrier in enumerate(document["carriers"]):
        carrier["slots"] = [document["slots"][k % 2]]
    assert bound(document).unplaced_at_least == 0
    document["carriers"][0]["slots"] = document["slots"]
    assert bound(document).unplaced_at_least == 1


def test_crowds_that_share_carriers_are_not_counted_twice():
    """Five on in both slots and nobody else: two are too many, once."""
    document = coupled(5, 2, families=[])
    document["slots"] = ["fri", "sat"]
    assert bound(document).unplaced_at_least == 2


def test_a_row_that_names_two_carriers_may_ask_for_less():
    document = coupled(3, 1, families=[])
    assert bound(document).unplaced_at_least == 1
    document["separations"].append({"carriers": ["c0", "c1"], "min_hz": 0})
    assert bound(document).unplaced_at_least == left_out(document) == 0


@pytest.mark.parametrize(
    "change",
    [
        {"level_db": -14.0},  # three times below −40 dB: a single product does not exceed
        {"mixes": False},
        {"received_in": ["y"]},  # where nobody is heard
    ],
)
def test_products_that_do_not_count_bound_nothing(change):
    document = coupled(4, 5)
    document["zones"].append({"id": "y", "hears": {}})
    for carrier in document["carriers"]:
        carrier |= change
    assert bound(document).unplaced_at_least == 0
    assert left_out(document) == 0


def test_products_made_in_transmitters():
    document = coupled(4, 5)
    for rule in document["products"]:
        rule["made_in"] = "transmitters"
    assert bound(document).unplaced_at_least == left_out(document) == 1
    document["zones"][0]["hears"] = {"z": -41.0}
    assert bound(document).unplaced_at_least == left_out(document) == 0


def test_a_front_end_that_keeps_carriers_out():
    document = coupled(4, 5)
    document["zones"][0]["passband"] = [{"low_hz": 1, "high_hz": 470_050_000}]
    assert bound(document).unplaced_at_least <= left_out(document)


def test_nothing_to_place():
    assert bound({"format": "planning-problem/1", "zones": [], "carriers": []}).unplaced_at_least == 0


def test_asked_to_stop_it_says_what_it_has():
    document = coupled(5, 10)
    document["carriers"][0]["tuning"] = []
    told = lower_bound(read_problem(document), should_stop=lambda: True)
    assert told.unplaced_at_least == 1
    assert told.why.startswith("c0 ")
