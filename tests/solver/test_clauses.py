"""The solver against exhaustive search, clause by clause: four to six carriers, short rasters, the objective in its order."""

import pytest

from apps.solver import read_problem, solve
from tests.solver import exhaustive
from tests.solver.plain import Plain

FAMILIES = ["2A-B", "A+B-C", "3A-2B", "3A-B-C", "2A+B-2C", "4A-3B"]


def case(count=5, length=8, *, step=10, zones=("z",), **clauses):
    """So many carriers, dealt out over the zones, on a raster of length + 1 points, 20 Hz apart where they share a zone."""
    tuning = [{"low_hz": 1000, "high_hz": 1000 + length * step, "step_hz": step}]
    document = {
        "format": "planning-problem/1",
        "zones": [{"id": zone} for zone in zones],
        "carriers": [
            {"id": f"c{k}", "zone": zones[k % len(zones)], "kind": "k", "tuning": tuning}
            for k in range(count)
        ],
        "separations": [{"zones": [zone, zone], "kinds": ["k", "k"], "min_hz": 10} for zone in zones],
    }
    return document | clauses


def with_carriers(document, **changes):
    """Changes to single carriers: c0={"priority": 1}."""
    for carrier in document["carriers"]:
        carrier |= changes.get(carrier["id"], {})
    return document


FORBIDDEN = {"guard_hz": 10, "treatment": "forbid"}
HEARING = [{"id": "a", "hears": {"a": 0, "b": -15}}, {"id": "b", "hears": {"b": 0, "a": -25}}]

CASES = {
    "distances": case(6, 4),
    "the largest row counts": case(4, 6, separations=[
        {"zones": ["z", "z"], "kinds": ["k", "k"], "min_hz": 10}, {"zones": ["z", "z"], "kinds": ["k", "k"],
            "min_hz": 30}]),
    "kinds may be swapped in one zone": with_carriers(
        case(5, 7, separations=[
            {"zones": ["z", "z"], "kinds": ["k", "m"], "min_hz": 30}, {"zones": ["z", "z"],
                "kinds": ["k", "k"], "min_hz": 20},
            {"zones": ["z", "z"], "kinds": ["m", "m"], "min_hz": 10}]),
        c0={"kind": "m"}, c1={"kind": "m"}),
    "zones go with kinds": with_carriers(
        case(5, 3, zones=("a", "b"), separations=[{"zones": ["a", "b"], "kinds": ["k", "m"], "min_hz": 30}]),
        c1={"kind": "m"}, c3={"kind": "m"}, c4={"kind": "m"}),
    "bands may not overlap": with_carriers(
        case(4, 5, separations=[]), c0={"bandwidth_hz": 30}, c1={"bandwidth_hz": 10}, c2={"bandwidth_hz": 19},
            c3={"bandwidth_hz": 21}),
    "a row of nought lifts the overlap": with_carriers(
        case(4, 3, separations=[{"zones": ["z", "z"], "kinds": ["k", "k"], "min_hz": 0}]),
            c0={"bandwidth_hz": 30}, c1={"bandwidth_hz": 30}),
    "two carriers named, farther": case(4, 6, separations=[
        {"zones": ["z", "z"], "kinds": ["k", "k"], "min_hz": 10}, {"carriers": ["c0", "c1"], "min_hz": 60}]),
    "two carriers named, nearer": case(5, 3, separations=[
        {"zones": ["z", "z"], "kinds": ["k", "k"], "min_hz": 10}, {"carriers": ["c0", "c1"], "min_hz": 0}]),
    "wishes": case(4, 6, separations=[
        {"zones": ["z", "z"], "kinds": ["k", "k"], "min_hz": 10},
        {"zones": ["z", "z"], "kinds": ["k", "k"], "min_hz": 35, "treatment": "penalise", "weight": 2},
        {"carriers": ["c2", "c3"], "min_hz": 60, "treatment": "penalise", "weight": 0.5}]),
    "blocked": with_carriers(
        case(5, 8, slots=["s", "t"], blocked=[
            {"low_hz": 1000, "high_hz": 1020}, {"low_hz": 1030, "high_hz": 1040, "kinds": ["m"]},
            {"low_hz": 1050, "high_hz": 1055, "slots": ["t"]}, {"low_hz": 1060, "high_hz": 1070, "zones": ["z"]}]),
        c0={"kind": "m"}, c1={"slots": ["s"]}, c2={"bandwidth_hz": 11}, c3={"bandwidth_hz": 10}),
    "pairs": case(5, 8, pairs=[{"carriers": ["c0", "c1"], "offset_hz": 30}, {"carriers": ["c3", "c2"],
        "offset_hz": -20}]),
    "a pair that nothing fits": case(4, 3, pairs=[{"carriers": ["c0", "c1"], "offset_hz": 50}]),
    "a pair either way": with_carriers(
        case(4, 4, pairs=[{"carriers": ["c0", "c1"], "offset_hz": 30, "either_way": True}],
             blocked=[{"low_hz": 995, "high_hz": 1005, "kinds": ["m"]}]),
        c0={"kind": "m", "bandwidth_hz": 2}),
    "a pair with one end fixed": with_carriers(
        case(4, 6, pairs=[{"carriers": ["c0", "c1"], "offset_hz": 20}]), c0={"fixed_hz": 1020}),
    "a pair whose other end finds no place": with_carriers(
        case(4, 3, pairs=[{"carriers": ["c0", "c1"], "offset_hz": 90}]), c0={"fixed_hz": 1020}),
    "pairs that share a carrier": case(4, 8, pairs=[
        {"carriers": ["c0", "c1"], "offset_hz": 20}, {"carriers": ["c1", "c2"], "offset_hz": 30}]),
    "spans": case(5, 6, spans=[{"carriers": ["c0", "c1", "c2"], "max_span_hz": 20}, {"carriers": ["c3", "c4"],
        "max_span_hz": 10}]),
    "a span too narrow": case(4, 6, spans=[{"carriers": ["c0", "c1", "c2"], "max_span_hz": 10}]),
    "a span with a fixed end": with_carriers(
        case(4, 8, spans=[{"carriers": ["c0", "c1", "c2"], "max_span_hz": 30}]), c0={"fixed_hz": 1000}),
    "noise": with_carriers(
        case(4, 6, noise=[{"low_hz": 1000, "step_hz": 20, "level_dbm": [-80, -110, -95.5, -100],
            "reference_dbm": -100, "weight": 0.5},
                          {"low_hz": 900, "step_hz": 7, "level_dbm": [-90] * 20, "reference_dbm": -91,
                              "kinds": ["m"]}]),
        c0={"bandwidth_hz": 30}, c1={"kind": "m"}),
    **{f"free of {family}": case(4, 6, products=[{"family": family, **FORBIDDEN}]) for family in FAMILIES},
    **{f"{family} costs": case(4, 5, products=[{"family": family, "guard_hz": 15, "treatment": "penalise",
        "weight": 0.5}])
       for family in FAMILIES},
    "levels and limits": with_carriers(
        case(5, 6, products=[{"family": "2A-B", "guard_hz": 10, "treatment": "forbid", "limit_db": -12}]),
        c0={"level_db": -5}, c1={"level_db": -7}, c2={"level_db": -13}),
    "loads add up": case(5, 9, products=[{"family": "A+B-C", "guard_hz": 25, "treatment": "forbid", "limit_db": 3}]),
    "two places that hear each other": case(
        5, 5, zones=("a", "b"),
            products=[{"family": "2A-B", "guard_hz": 10, "treatment": "forbid",
                "limit_db": -20}]) | {"zones": HEARING},
    "one place protected": case(
        5, 4, zones=("a", "b"), products=[{"family": "2A-B", **FORBIDDEN, "zones": ["a"]}]) | {"zones": HEARING},
    "one kind protected": with_carriers(case(5, 4, products=[{"family": "2A-B", **FORBIDDEN, "kinds": ["m"]}]),
        c0={"kind": "m"}),
    "made in transmitters": case(
        5, 4, zones=("a", "b"),
            products=[{"family": "2A-B", **FORBIDDEN, "made_in": "transmitters",
                "limit_db": -20}]) | {"zones": HEARING},
    "made in both": with_carriers(
        case(4, 5, zones=("a", "b"), products=[
            {"family": "2A-B", **FORBIDDEN, "made_in": "transmitters", "limit_db": -30},
                {"family": "A+B-C", **FORBIDDEN},
            {"family": "3A-2B", "guard_hz": 15, "treatment": "penalise", "weight": 3}]) | {"zones": HEARING},
        c0={"sent_from": ["a", "b"]}),
    "a front end": case(5, 4, products=[{"family": "2A-B", **FORBIDDEN}]) | {
        "zones": [{"id": "z", "passband": [{"low_hz": 1000, "high_hz": 1010}, {"low_hz": 1040, "high_hz": 1100}]}]},
    "sent from several": with_carriers(
        case(4, 4, zones=("a", "b"), products=[{"family": "2A-B", **FORBIDDEN}]), c0={"sent_from": ["a", "b"]},
            c1={"sent_from": ["a", "b"]}),
    "received in several": with_carriers(
        case(4, 4, zones=("a", "b"), products=[{"family": "2A-B", **FORBIDDEN}]) | {"zones": [{"id": "a"},
            {"id": "b", "hears": {"a": 0}}]},
        c0={"received_in": ["a", "b"]}, c1={"received_in": ["a", "b"]}),
    "wideband makes no products": with_carriers(case(4, 4, products=[{"family": "2A-B", **FORBIDDEN}]),
        c0={"mixes": False}),
    "slots": with_carriers(
        case(6, 3, slots=["s", "t", "u"], products=[{"family": "2A-B", **FORBIDDEN}]),
        c0={"slots": ["s"]}, c1={"slots": ["t"]}, c2={"slots": ["s", "t"]}, c3={"slots": ["u"]}, c4={"slots": ["u"]}),
    "priorities in their order": with_carriers(
        case(5, 2), c0={"priority": 3}, c1={"priority": 1}, c2={"priority": 2}, c3={"priority": 1},
            c4={"priority": 9}),
    "one of priority 1 before two of priority 2": with_carriers(
        case(3, 2, separations=[{"zones": ["z", "z"], "kinds": ["k", "k"], "min_hz": 20},
            {"carriers": ["c1", "c2"], "min_hz": 20}]),
        c0={"priority": 1, "tuning": [{"low_hz": 1010, "high_hz": 1010, "step_hz": 1}]}),
    "stay where you were": with_carriers(
        case(4, 6), c0={"previous_hz": 1030}, c1={"previous_hz": 1030}, c2={"previous_hz": 1000},
            c3={"previous_hz": 999}),
    "move for one more": with_carriers(
        case(3, 2, separations=[{"zones": ["z", "z"], "kinds": ["k", "k"], "min_hz": 10}]),
        c0={"previous_hz": 1010}, c1={"previous_hz": 1010},
            c2={"tuning": [{"low_hz": 1010, "high_hz": 1010, "step_hz": 1}], "priority": 3}),
    "do not move for a penalty": with_carriers(
        case(3, 5, noise=[{"low_hz": 1020, "step_hz": 5, "level_dbm": [-50], "reference_dbm": -100}]),
            c0={"previous_hz": 1020}),
    "fixed off its raster, inside what is blocked": with_carriers(
        case(4, 5, blocked=[{"low_hz": 1010, "high_hz": 1020}], products=[{"family": "2A-B", **FORBIDDEN}]),
            c0={"fixed_hz": 1017}),
    "a fixed victim": with_carriers(
        case(4, 5, products=[{"family": "2A-B", "guard_hz": 12, "treatment": "forbid"}]), c0={"fixed_hz": 1030}),
    "a fixed victim that suffers already": with_carriers(
        case(5, 5, products=[{"family": "2A-B", "guard_hz": 12, "treatment": "forbid", "limit_db": 3}]),
        c0={"fixed_hz": 1000}, c1={"fixed_hz": 1010}, c2={"fixed_hz": 1020}),
    "fixed ones on top of each other": with_carriers(case(4, 4), c0={"fixed_hz": 1020}, c1={"fixed_hz": 1020}),
    "nothing to tune": with_carriers(case(3, 3), c0={"tuning": []}),
    "presets": with_carriers(
        case(3, 3, products=[{"family": "2A-B", **FORBIDDEN}]),
        c0={"tuning": [{"low_hz": hz, "high_hz": hz, "step_hz": 1} for hz in (1003, 1010, 1031)]}),
    "nobody": case(0),
    "one": case(1),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_as_good_as_trying_everything(name):
    document = CASES[name]
    plain = Plain(document)
    best, _ = exhaustive.best(document)
    result = solve(read_problem(document), seconds=20, seed=0)
    assert plain.broken(result.assignments) == set()
    assert plain.rank(result.assignments) == pytest.approx(best, abs=1e-9)
    assert result.cost["penalty"] == pytest.approx(best[-1], abs=1e-5)
    assert result.bound.unplaced_at_least <= len(document["carriers"]) - len(result.assignments)
