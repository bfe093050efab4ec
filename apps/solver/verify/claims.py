"""Whether a result tells the truth about itself: who stands where, what moved, what it cost, which loads, which bound."""

import math
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from typing import Any

from apps.solver.problem import Problem, coefficients
from apps.solver.verify.counting import Verdict

PRODUCTS_NAMED = 5
HURRIED = ("deadline", "cancelled")  # stops after which a result may name no products


def untruths(problem: Problem, result: Mapping[str, Any], verdict: Verdict) -> dict[str, list[str]]:
    """{what kind of fault: messages}; empty when every claim that the result makes is true.

    Kinds: «unknown» carriers, «hertz» that are no whole numbers, «missing» and «twice» for carriers that do not stand in
    exactly one list, «untrue» for everything else. A claim that the result does not make is not held against it.
    """
    found: dict[str, list[str]] = defaultdict(list)
    try:
        for kind, message in _untruths(problem, result, verdict):
            found[kind].append(message)
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        found["untrue"].append(
            f"the result does not have the shape of the format: {type(error).__name__} {error}"
        )
    return dict(found)


def _untruths(problem: Problem, result: Mapping[str, Any], verdict: Verdict) -> Iterator[tuple[str, str]]:
    assignments = result["assignments"]
    left = [row["id"] for row in result.get("unplaced", [])]
    known = {carrier.id: carrier for carrier in problem.carriers}
    yield from (
        ("unknown", f"{code} is no carrier of the problem")
        for code in (*assignments, *left)
        if code not in known
    )
    yield from (
        ("hertz", f"{code}: {hz!r} is no whole number")
        for code, hz in assignments.items()
        if type(hz) is not int
    )
    times = Counter([*assignments, *left])
    yield from (("missing", f"{code} is neither placed nor left out") for code in known if not times[code])
    yield from (("twice", f"{code} stands {n} times") for code, n in times.items() if n > 1)
    yield from (("untrue", message) for message in _of_those_left_out(problem, result))
    yield from (("untrue", message) for message in _of_cost(problem, result, verdict))
    if "loads" in result:
        yield from (("untrue", message) for message in _of_loads(problem, result, verdict))


def _of_those_left_out(problem: Problem, result: Mapping[str, Any]) -> Iterator[str]:
    left = {row["id"] for row in result.get("unplaced", [])}
    for row in result.get("unplaced", []):
        shares = [cause["share"] for cause in row.get("blocked_by", [])]
        if shares and not abs(sum(shares) - 1) <= 1e-3:
            yield f"the shares of {row['id']} sum to {sum(shares):g}, not 1"
    if result.get("bound", {}).get("unplaced_at_least", 0) > len(left):
        yield f"the bound says {result['bound']['unplaced_at_least']} must stay out, but only {len(left)} did"


def _of_cost(problem: Problem, result: Mapping[str, Any], verdict: Verdict) -> Iterator[str]:
    assignments, cost = result["assignments"], result.get("cost", {})
    moved = {
        carrier.id
        for carrier in problem.carriers
        if carrier.fixed_hz is None
        and carrier.previous_hz is not None
        and assignments.get(carrier.id, carrier.previous_hz) != carrier.previous_hz
    }
    if "moved" in result and (set(result["moved"]) != moved or len(result["moved"]) != len(moved)):
        yield f"moved: {sorted(result['moved'])}, counted {sorted(moved)}"
    if "moved" in cost and cost["moved"] != len(moved):
        yield f"cost.moved: {cost['moved']}, counted {len(moved)}"
    if "unplaced" in cost:
        left = {row["id"] for row in result.get("unplaced", [])}
        counted = Counter(str(carrier.priority) for carrier in problem.carriers if carrier.id in left)
        if Counter(cost["unplaced"]) != counted:
            yield f"cost.unplaced: {cost['unplaced']}, counted {dict(counted)}"
    if "penalty" in cost and not abs(cost["penalty"] - verdict.penalty) <= 1e-3 + 1e-6 * verdict.penalty:
        yield f"cost.penalty: {cost['penalty']}, counted {verdict.penalty:.6f}"


def _of_loads(problem: Problem, result: Mapping[str, Any], verdict: Verdict) -> Iterator[str]:
    told = Counter((entry["row"], entry["id"]) for entry in result["loads"])
    for row, code in verdict.loads.keys() - told.keys():
        yield f"loads: nothing is said of {code} under products[{row}], which is over its limit"
    for (row, code), n in told.items():
        if (row, code) not in verdict.loads:
            yield f"loads: {code} under products[{row}] is not over its limit"
        elif n > 1:
            yield f"loads: {code} under products[{row}] stands {n} times"
    for entry in result["loads"]:
        worst = verdict.loads.get((entry["row"], entry["id"]))
        if worst is None:
            continue
        if not abs(entry["level_db"] - _db(worst.load)) <= 0.01:
            said = f"{entry['id']} under products[{entry['row']}]"
            yield f"loads: {said} is {entry['level_db']} dB, counted {_db(worst.load):.3f}"
        if entry["products"] or result.get("stopped") not in HURRIED:
            yield from _of_products(problem, result["assignments"], entry)


def _db(level: float) -> float:
    return 10 * math.log10(level)


def _of_products(problem: Problem, assignments: Mapping[str, int], entry: Mapping[str, Any]) -> Iterator[str]:
    """The culprits that a load names: at most five, none the victim, none twice, each landing within the guard."""
    rule = problem.products[entry["row"]]
    factors = coefficients(rule.family)
    if len(entry["products"]) > PRODUCTS_NAMED or not entry["products"]:
        yield f"loads: {entry['id']} names {len(entry['products'])} products; use 1 to {PRODUCTS_NAMED}"
    for letters in entry["products"]:
        lands = sum(factor * assignments[code] for factor, code in zip(factors, letters, strict=True))
        distinct = len({*letters, entry["id"]}) == len(letters) + 1
        if not distinct or abs(lands - assignments[entry["id"]]) >= rule.guard_hz:
            yield f"loads: {rule.family} of {', '.join(letters)} does not land on {entry['id']}"
