"""Breaches as the solver's verifier counts them, put into a coordinator's words."""

import hashlib
import json
from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Any

from apps.planning.reasons import in_print
from apps.planning.verdicts import MADE, PLACE
from apps.solver.problem import Problem, read_problem
from apps.solver.verify import Breach, breaches_anywhere, breaches_at


def count(
    document: Mapping[str, Any], plan: Mapping[str, int], parts: Iterable[tuple[str, str]]
) -> list[list[dict[str, Any]]]:
    """The breaches of a plan at places and slots (place "": those that know no place), as verdicts store them."""
    problem = _problem(json.dumps(document, sort_keys=True))
    counted = []
    for place, slot in parts:
        found = breaches_at(problem, plan, place, slot) if place else breaches_anywhere(problem, plan)
        counted.append([_in_words(breach, problem, plan) for breach in found if breach.rule != "missing"])
    return counted


@lru_cache(maxsize=2)
def _problem(text: str) -> Problem:
    return read_problem(json.loads(text))


def _in_words(breach: Breach, problem: Problem, plan: Mapping[str, int]) -> dict[str, Any]:
    carriers = (breach.victim, *breach.others)
    at = sorted([code, plan.get(code)] for code in carriers)
    made_in = ""
    facts: list[Any] = [breach.rule, breach.row, breach.zone, at]
    if breach.rule == "product" and breach.row is not None:
        # Wherever it is made: the same culprits disturb the same victim, and the same signature covers it.
        rule = problem.products[breach.row]
        made_in = rule.made_in
        here = (breach.zone or "").split(",")[
            0
        ]  # near a rack or far from it, in one band of its receivers or another
        facts = [breach.rule, rule.family, here, breach.victim, at]
    return {
        "rule": breach.rule,
        "carriers": list(carriers),
        "place": breach.zone or "",
        "slot": breach.slot or "",
        "words": _words(breach, problem, plan),
        "key": hashlib.sha256(json.dumps(facts).encode()).hexdigest()[:16],
        "made_in": made_in,
    }


def _words(breach: Breach, problem: Problem, plan: Mapping[str, int]) -> str:
    victim, others = breach.victim, " and ".join(breach.others)
    match breach.rule:
        case "separation":
            return (
                f"{victim} and {others} are {_khz(breach.measured)} apart; they need {_khz(breach.limit)}"
                f"{f' (heard in {PLACE})' if breach.zone else ''}."
            )
        case "blocked":
            return f"{victim} at {_mhz(plan[victim])} lies in a range that is occupied here{f': {others}' if others else ''}."
        case "raster":
            return f"{victim} at {_mhz(plan[victim])} is no frequency that it can tune here, or plan or filter keep it away."
        case "pair":
            return f"{victim} and {others} are not at the offset that they need."
        case "span":
            return f"{victim} and {others} lie further apart than their common equipment allows."
        case "product":
            rule = problem.products[breach.row] if breach.row is not None else None
            family, made = (in_print(rule.family), MADE) if rule else ("A product", "")
            return (
                f"{family} of {others or 'others'} lands on {victim} ({_mhz(plan[victim])}) in {PLACE}{made}."
            )
    return f"{victim}: {breach.rule}"


def _khz(hertz: float) -> str:
    return f"{hertz / 1e3:g} kHz"


def _mhz(hertz: int) -> str:
    return f"{hertz / 1e6:.10g} MHz"
