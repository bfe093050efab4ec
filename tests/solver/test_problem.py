"""Reading problems: every default of the format, and every malformed thing with the path to it."""

import copy
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from apps.solver.problem import MalformedProblem, coefficients, linear, read_json, read_problem
from tests.solver.strategies import documents

RANGE = {"low_hz": 470_000_000, "high_hz": 470_100_000, "step_hz": 25_000}
DOCUMENT = {
    "format": "planning-problem/1",
    "note": {"anything": ["at", "all"]},
    "zones": [
        {"id": "stage", "hears": {"stage": 0, "rack": -12.5}, "passband": [{"low_hz": 1, "high_hz": 10**12}]},
        {"id": "rack"},
    ],
    "slots": ["fri", "sat"],
    "carriers": [
        {"id": "m1", "zone": "stage", "kind": "mic", "tuning": [dict(RANGE)]},
        {"id": "m2", "zone": "stage", "sent_from": ["stage", "rack"], "received_in": ["rack"], "kind": "iem",
         "tuning": [dict(RANGE)], "bandwidth_hz": 200_000, "slots": ["sat"], "priority": 1, "level_db": -3, "mixes": False,
         "fixed_hz": 470_010_000, "previous_hz": 470_000_000},
    ],
    "separations": [
        {"zones": ["stage", "rack"], "kinds": ["mic", "iem"], "min_hz": 1000},
        {"carriers": ["m1", "m2"], "min_hz": 0, "treatment": "penalise", "weight": 0.5},
    ],
    "blocked": [{"low_hz": 470_050_000, "high_hz": 470_060_000}],
    "pairs": [{"carriers": ["m1", "m2"], "offset_hz": -5000}],
    "spans": [{"carriers": ["m1", "m2"], "max_span_hz": 0}],
    "noise": [{"low_hz": 1, "step_hz": 1, "level_dbm": [-100, -90.5], "reference_dbm": -95}],
    "products": [{"family": "A+B-C", "guard_hz": 1, "treatment": "forbid"}],
}  # fmt: skip


def changed(path, value):
    """The document with one value put at a path; KeyError is never hidden."""
    document = copy.deepcopy(DOCUMENT)
    *way, last = path
    part = document
    for step in way:
        part = part[step]
    part[last] = value
    return document


def without(*path):
    document = copy.deepcopy(DOCUMENT)
    *way, last = path
    part = document
    for step in way:
        part = part[step]
    del part[last]
    return document


def faults(document):
    with pytest.raises(MalformedProblem) as raised:
        read_problem(document)
    assert str(raised.value).splitlines() == [str(fault) for fault in raised.value.faults]  # one line each
    return {fault.path: fault.message for fault in raised.value.faults}


def test_defaults_are_those_of_the_format():
    problem = read_problem(DOCUMENT)
    first, second = problem.carriers
    assert (first.sent_from, first.received_in, first.slots) == (("stage",), ("stage",), ("fri", "sat"))
    assert (first.bandwidth_hz, first.priority, first.level_db, first.mixes) == (0, 2, 0.0, True)
    assert (first.fixed_hz, first.previous_hz) == (None, None)
    assert (second.sent_from, second.received_in, second.slots) == (("stage", "rack"), ("rack",), ("sat",))
    assert second.stands == {"stage", "rack"}
    assert [row.treatment for row in problem.separations] == ["forbid", "penalise"]
    assert (problem.separations[0].weight, problem.separations[0].carriers) == (1.0, None)
    assert (problem.blocked[0].zones, problem.blocked[0].kinds, problem.blocked[0].slots) == (
        None,
        None,
        None,
    )
    assert problem.pairs[0].offsets_hz == (-5000,)
    assert (problem.noise[0].weight, problem.noise[0].zones) == (1.0, None)
    (rule,) = problem.products
    assert (rule.limit_db, rule.weight, rule.made_in, rule.zones, rule.kinds) == (
        -40.0,
        1.0,
        "receivers",
        None,
        None,
    )
    assert rule.limit == pytest.approx(1e-4 * (1 + 1e-6), rel=1e-12)
    assert problem.zones[1].hears == {"rack": 0.0}  # absent: itself at 0 dB, no other
    assert problem.zones[1].passband == ()


def test_the_least_that_is_a_problem():
    problem = read_problem({"format": "planning-problem/1", "zones": [], "carriers": []})
    assert problem.slots == ("always",)
    assert (problem.separations, problem.products) == ((), ())


@pytest.mark.parametrize("empty", [None, []])
def test_a_carrier_without_slots_is_on_in_all(empty):
    assert read_problem(changed(("carriers", 1, "slots"), empty)).carriers[1].slots == ("fri", "sat")
    assert read_problem(changed(("carriers", 1, "sent_from"), empty)).carriers[1].sent_from == ("stage",)


def test_a_carrier_may_have_nothing_to_tune():
    assert read_problem(changed(("carriers", 0, "tuning"), [])).carriers[0].tuning == ()


def test_edges_of_what_is_permitted():
    highest = {"low_hz": 10**12 - 1_999_999, "high_hz": 10**12, "step_hz": 1}
    carrier = read_problem(changed(("carriers", 0, "tuning"), [highest])).carriers[0]
    assert carrier.tuning[0].points == 2_000_000
    one = {"low_hz": 1, "high_hz": 1, "step_hz": 10**12}
    assert read_problem(changed(("carriers", 0, "tuning"), [one])).carriers[0].tuning[0].points == 1


RAW = [
    True,
    "470000000",
    470_000_000.0,
    float("nan"),
    float("inf"),
    None,
    [],
    {},
    2**63,
    2**64,
    -(2**63),
    10**400,
]


@pytest.mark.parametrize("value", [*RAW, 0, -1, 10**12 + 1])
@pytest.mark.parametrize(
    "path",
    [
        ("carriers", 0, "tuning", 0, "low_hz"), ("carriers", 0, "tuning", 0, "high_hz"),
        ("carriers", 0, "tuning", 0, "step_hz"), ("zones", 0, "passband", 0, "low_hz"), ("blocked", 0, "low_hz"),
        ("blocked", 0, "high_hz"), ("noise", 0, "low_hz"), ("noise", 0, "step_hz"), ("products", 0, "guard_hz"),
    ],
)  # fmt: skip
def test_whole_hertz(path, value):
    assert _path(path) in faults(changed(path, value))


@pytest.mark.parametrize("value", [*RAW, -1, 10**12 + 1])
@pytest.mark.parametrize(
    "path", [("separations", 0, "min_hz"), ("spans", 0, "max_span_hz"), ("carriers", 0, "bandwidth_hz")]
)
def test_whole_hertz_from_nought(path, value):
    assert list(faults(changed(path, value))) == [_path(path)]


@pytest.mark.parametrize("value", [*(raw for raw in RAW if raw is not None), 0, -1])
@pytest.mark.parametrize("name", ["fixed_hz", "previous_hz"])
def test_where_a_carrier_is_or_was(name, value):
    assert list(faults(changed(("carriers", 1, name), value))) == [f"carriers[1].{name}"]


@pytest.mark.parametrize("value", [True, "0", None, [], float("nan"), -float("inf"), 10**400])
@pytest.mark.parametrize(
    "path",
    [
        ("zones", 0, "hears", "rack"), ("carriers", 0, "level_db"), ("separations", 0, "weight"),
        ("noise", 0, "level_dbm", 1), ("noise", 0, "reference_dbm"), ("noise", 0, "weight"),
        ("products", 0, "limit_db"), ("products", 0, "weight"),
    ],
)  # fmt: skip
def test_numbers(path, value):
    assert list(faults(changed(path, value))) == [_path(path)]


def _path(path):
    return "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in path).lstrip(".")


@pytest.mark.parametrize(
    ("path", "value", "at", "words"),
    [
        # names
        (("carriers", 0, "zone"), "stag", "carriers[0].zone", "no zone"),
        (("carriers", 0, "zone"), 3, "carriers[0].zone", "not a name"),
        (("carriers", 0, "id"), "m2", "carriers[1].id", "stands twice"),
        (("carriers", 0, "id"), "", "carriers[0].id", "not a name"),
        (("carriers", 0, "kind"), None, "carriers[0].kind", "not a name"),
        (("carriers", 0, "slots"), ["sun"], "carriers[0].slots[0]", "no slot"),
        (("carriers", 0, "slots"), 0, "carriers[0].slots", "not a list"),
        (("carriers", 0, "slots"), {}, "carriers[0].slots", "not a list"),
        (("carriers", 0, "slots"), "", "carriers[0].slots", "not a list"),
        (("carriers", 0, "sent_from"), ["attic"], "carriers[0].sent_from[0]", "no zone"),
        (("carriers", 0, "sent_from"), False, "carriers[0].sent_from", "not a list"),
        (("carriers", 0, "received_in"), [1], "carriers[0].received_in[0]", "no zone"),
        (("carriers", 0, "priority"), 0, "carriers[0].priority", "1 to 9"),
        (("carriers", 0, "priority"), 10, "carriers[0].priority", "1 to 9"),
        (("carriers", 0, "mixes"), 1, "carriers[0].mixes", "true nor false"),
        (("carriers", 0, "colour"), "red", "carriers[0].colour", "no such key"),
        (("carriers", 0, "tuning"), None, "carriers[0].tuning", "not a list"),
        (("carriers", 0, "tuning"), [5], "carriers[0].tuning[0]", "not an object"),
        (("carriers", 0, "tuning", 0, "steps"), 1, "carriers[0].tuning[0].steps", "no such key"),
        (("carriers", 0, "tuning", 0, "high_hz"), 5, "carriers[0].tuning[0].high_hz", "below low_hz"),
        (("carriers", 0, "tuning", 0, "step_hz"), 0, "carriers[0].tuning[0].step_hz", "0 is not a step; use a whole"),
        (("carriers", 0), "m1", "carriers[0]", "not an object"),
        (("zones", 0, "id"), "rack", "zones[1].id", "stands twice"),
        (("zones", 0, "hears", "rack"), 0.1, "zones[0].hears.rack", "above 0"),
        (("zones", 0, "hears", "attic"), -1, "zones[0].hears.attic", "no zone"),
        (("zones", 0, "hears"), [], "zones[0].hears", "not an object"),
        (("zones", 0, "passband", 0, "width"), 1, "zones[0].passband[0].width", "no such key"),
        (("zones", 0, "colour"), 1, "zones[0].colour", "no such key"),
        (("zones", 1), None, "zones[1]", "not an object"),
        (("slots", 1), "fri", "slots[1]", "stands twice"),
        (("slots", 1), "", "slots[1]", "not a name"),
        (("slots",), "fri", "slots", "not a list"),
        # rules
        (("separations", 0, "zones"), ["stage"], "separations[0].zones", "names 1; use 2"),
        (("separations", 0, "zones"), ["stage", "attic"], "separations[0].zones[1]", "no zone"),
        (("separations", 0, "zones"), [], "separations[0].zones", "empty"),
        (("separations", 0, "zones"), None, "separations[0].zones", "not a list of two"),
        (("separations", 0, "kinds"), ["mic", ""], "separations[0].kinds[1]", "no kind"),
        (("separations", 0, "kinds"), None, "separations[0].kinds", "not a list of two"),
        (("separations", 0, "carriers"), ["m1", "m2"], "separations[0]", "use one of the two"),
        (("separations", 0, "treatment"), "ignore", "separations[0].treatment", "forbid, penalise"),
        (("separations", 0, "weight"), -1, "separations[0].weight", "below 0"),
        (("separations", 1, "carriers"), ["m1", "m1"], "separations[1].carriers", "twice"),
        (("separations", 1, "carriers"), ["m1", "m3"], "separations[1].carriers[1]", "no carrier"),
        (("separations", 1, "carriers"), None, "separations[1].carriers", "not a list of two"),
        (("blocked", 0, "id"), 5, "blocked[0].id", "not a name"),
        (("blocked", 0, "slots"), [], "blocked[0].slots", "empty"),
        (("blocked", 0, "zones"), ["attic"], "blocked[0].zones[0]", "no zone"),
        (("blocked", 0, "kinds"), ["mik"], "blocked[0].kinds[0]", "no kind"),
        (("blocked", 0, "high_hz"), 470_000_000, "blocked[0].high_hz", "below low_hz"),
        (("pairs", 0, "carriers"), ["m1", "m1"], "pairs[0].carriers", "twice"),
        (("pairs", 0, "carriers"), None, "pairs[0].carriers", "not a list of two"),
        (("pairs", 0, "offset_hz"), "5", "pairs[0].offset_hz", "not a whole number"),
        (("pairs", 0, "either_way"), "yes", "pairs[0].either_way", "true nor false"),
        (("spans", 0, "carriers"), [], "spans[0].carriers", "empty"),
        (("spans", 0, "carriers"), None, "spans[0].carriers", "not a list"),
        (("spans", 0, "carriers"), ["m3"], "spans[0].carriers[0]", "no carrier"),
        (("noise", 0, "level_dbm"), [], "noise[0].level_dbm", "one or more"),
        (("noise", 0, "kinds"), [], "noise[0].kinds", "empty"),
        (("products", 0, "family"), "A+B+C-2D", "products[0].family", "2A-B"),
        (("products", 0, "family"), ["2A-B"], "products[0].family", "2A-B"),
        (("products", 0, "treatment"), "warn", "products[0].treatment", "penalise"),
        (("products", 0, "treatment"), None, "products[0].treatment", "not known"),
        (("products", 0, "made_in"), "cables", "products[0].made_in", "receivers"),
        (("products", 0, "kinds"), [], "products[0].kinds", "empty"),
        (("products", 0, "kinds"), ["mik"], "products[0].kinds[0]", "no kind"),
        (("products", 0, "zones"), ["attic"], "products[0].zones[0]", "no zone"),
        (("products", 0, "row"), 1, "products[0].row", "no such key"),
        # the document
        (("products",), None, "products", "not a list"),
        (("carriers",), None, "carriers", "not a list"),
        (("seperations",), [], "seperations", "no such key"),
        (("format",), "planning-problem/1.1", "format", "planning-problem/1"),
        (("format",), 1, "format", "planning-problem/1"),
    ],
)  # fmt: skip
def test_each_fault_has_its_place_and_words(path, value, at, words):
    found = faults(changed(path, value))
    assert at in found
    assert words in found[at]


@pytest.mark.parametrize(
    "path",
    [
        ("format",), ("zones",), ("carriers",), ("zones", 0, "id"), ("carriers", 0, "id"), ("carriers", 0, "zone"),
        ("carriers", 0, "kind"), ("carriers", 0, "tuning"), ("carriers", 0, "tuning", 0, "low_hz"),
        ("carriers", 0, "tuning", 0, "high_hz"), ("carriers", 0, "tuning", 0, "step_hz"), ("separations", 0, "min_hz"),
        ("blocked", 0, "low_hz"), ("blocked", 0, "high_hz"), ("pairs", 0, "carriers"), ("pairs", 0, "offset_hz"),
        ("spans", 0, "carriers"), ("spans", 0, "max_span_hz"), ("noise", 0, "low_hz"), ("noise", 0, "step_hz"),
        ("noise", 0, "level_dbm"), ("noise", 0, "reference_dbm"), ("products", 0, "family"), ("products", 0, "guard_hz"),
        ("products", 0, "treatment"),
    ],
)  # fmt: skip
def test_what_must_be_there(path):
    assert "missing" in faults(without(*path))[_path(path)]


@pytest.mark.parametrize("name", ["zones", "kinds"])
def test_a_separation_names_two_of_each(name):
    assert "use two zones and two kinds" in faults(without("separations", 0, name))["separations[0]"]


def test_levels_add_up_to_no_more_than_the_strongest_heard():
    loud = changed(
        ("carriers", 1, "level_db"), 12.5
    )  # the stage hears the rack at −12.5 dB, but itself at 0 dB
    assert "above 0" in faults(loud)["carriers[1].level_db"]
    loud["carriers"][1]["sent_from"] = ["rack"]
    loud["zones"][1]["hears"] = {}  # the rack itself no longer hears it
    assert read_problem(loud).carriers[1].level_db == 12.5


def test_points_of_a_carrier_are_bounded():
    ranges = [
        {"low_hz": 1, "high_hz": 1_000_000, "step_hz": 1},
        {"low_hz": 2_000_000, "high_hz": 3_000_000, "step_hz": 1},
    ]
    assert "2000001 points" in faults(changed(("carriers", 0, "tuning"), ranges))["carriers[0].tuning"]
    huge = {"low_hz": 1, "high_hz": 10**12, "step_hz": 1}
    assert "2000000" in faults(changed(("carriers", 0, "tuning"), [huge]))["carriers[0].tuning"]


def test_a_matrix_of_spacings_may_speak_of_kinds_that_nobody_brings():
    assert read_problem(changed(("separations", 0, "kinds"), ["mic", "camera"])).separations[0].kinds == (
        "mic",
        "camera",
    )


def test_all_faults_at_once():
    document = changed(("carriers", 0, "tuning", 0, "step_hz"), 0)
    document["carriers"][1]["zone"] = "attic"
    document["products"][0]["family"] = "A-B"
    document["zones"][0]["hears"]["rack"] = 3
    document["frequencies"] = []
    assert set(faults(document)) == {
        "carriers[0].tuning[0].step_hz", "carriers[1].zone", "products[0].family", "zones[0].hears.rack", "frequencies"
    }  # fmt: skip


@pytest.mark.parametrize("document", [None, [], "problem", 5, True])
def test_a_problem_is_an_object(document):
    assert "not an object" in faults(document)["problem"]


@pytest.mark.parametrize("text", ["", "{", "[1,]", "[" * 100_000, '{"a": ' + "9" * 5000 + "}", "\ud800"])
def test_what_is_no_json(text):
    with pytest.raises(MalformedProblem, match="is not JSON"):
        read_json(text)


def test_a_key_that_stands_twice_is_not_dropped():
    with pytest.raises(MalformedProblem, match="min_hz: this key stands twice"):
        read_json('{"separations": [{"min_hz": 1, "min_hz": 2}]}')


def test_a_message_stays_short():
    (message,) = faults(changed(("carriers", 0, "zone"), "z" * 10_000)).values()
    assert len(message) < 200


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=3),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=5,
)


@given(data=st.data(), value=json_values)
def test_anything_anywhere_is_read_or_refused(data, value):
    """Whatever stands wherever: a problem or a list of faults, never another error."""
    paths = [()]
    part = DOCUMENT
    while isinstance(part, dict | list) and part:
        step = data.draw(st.sampled_from(sorted(part) if isinstance(part, dict) else range(len(part))))
        paths.append((*paths[-1], step))
        part = part[step]
    document = changed(data.draw(st.sampled_from(paths[1:])), value)
    try:
        read_problem(document)
    except MalformedProblem as malformed:
        assert malformed.faults


@given(documents())
def test_random_problems_are_read(document):
    problem = read_problem(json.loads(json.dumps(document)))
    assert [carrier.id for carrier in problem.carriers] == [row["id"] for row in document["carriers"]]
    assert len(problem.separations) == len(document["separations"])


def test_levels_beyond_a_float_do_not_break_the_reading():
    problem = read_problem(changed(("products", 0, "limit_db"), 1e300))
    assert problem.products[0].limit == float("inf")
    assert linear(-1e300) == 0.0


def test_letters():
    families = ["2A-B", "A+B-C", "3A-2B", "3A-B-C", "2A+B-2C", "4A-3B"]
    assert [coefficients(family) for family in families] == [
        (2, -1),
        (1, 1, -1),
        (3, -2),
        (3, -1, -1),
        (2, 1, -2),
        (4, -3),
    ]
    assert all(sum(coefficients(family)) == 1 for family in families)  # odd order, in band
