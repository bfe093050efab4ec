"""The band plan in a problem: binding ranges narrow what a carrier tunes, preferred ones cost it where it avoids them.

The format prices frequencies by kind alone, as it does a survey's noise. Carriers of one kind that avoid different ranges
are therefore told apart by a kind of their own, which every rule of their kind names too.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any

from apps.registry import tuning
from apps.registry.models import Carrier
from apps.registry.rules import BandPlan, Kept

CAUSE = "band plan"
# What a carrier in a range that it would rather not use costs: as much as a load twenty decibels over its limit; no source.
WEIGHT = 100.0


def causes(kept: Iterable[Kept], points: int) -> list[dict[str, Any]]:
    """What the binding ranges took of a tuning of so many points, as causes of being left out."""
    return [{"cause": CAUSE, "why": part.words, "share": round(part.points / points, 6)} for part in kept]


def with_causes(blocked_by: list[dict[str, Any]], kept: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The solver's causes, whose shares are of what the band plan left, beside those of the band plan itself."""
    left = max(0.0, 1 - sum(cause["share"] for cause in kept))
    others = [{**cause, "share": round(cause["share"] * left, 6)} for cause in blocked_by]
    return kept + [cause for cause in others if cause["share"] > 0]


def prefer(problem: dict[str, Any], carriers: Iterable[Carrier], plan: BandPlan) -> dict[str, Any]:
    """The problem with what its carriers would rather avoid; the same document where nobody avoids anything."""
    rows = {row["id"]: row for row in problem["carriers"]}
    avoided = {carrier.code: _avoided(plan, carrier) for carrier in carriers}
    if not any(avoided.values()):
        return problem
    names: dict[str, dict[tuple[tuple[int, int], ...], str]] = defaultdict(dict)
    # Whoever avoids nothing keeps the kind's own name.
    for code, spans in sorted(avoided.items(), key=lambda item: (item[1], item[0])):
        kind = rows[code]["kind"]
        names[kind].setdefault(spans, f"{kind}~{len(names[kind])}" if names[kind] else kind)
    renamed = {code: names[rows[code]["kind"]][spans] for code, spans in avoided.items()}
    told = [{**row, "kind": renamed.get(row["id"], row["kind"])} for row in problem["carriers"]]
    costs = {
        (row["kind"], low, high, row["bandwidth_hz"])
        for row in told
        for low, high in avoided.get(row["id"], ())
    }
    variants = {kind: list(given.values()) for kind, given in names.items()}
    return {
        **problem,
        "carriers": told,
        "separations": [new for row in problem["separations"] for new in _of_two(row, variants)],
        "products": [_of_all(row, variants) for row in problem["products"]],
        "blocked": [_of_all(row, variants) for row in problem["blocked"]],
        "noise": [_of_all(row, variants) for row in problem.get("noise", [])]
        + [_cost(*cost) for cost in sorted(costs)],
    }


def _avoided(plan: BandPlan, carrier: Carrier) -> tuple[tuple[int, int], ...]:
    ranges: list[tuning.Range] = carrier.role.tuning
    half = (carrier.role.bandwidth_hz + 1) // 2
    low = min(part["low_hz"] for part in ranges) - half
    high = max(part["high_hz"] for part in ranges) + half
    return tuple(plan.avoided(carrier.registration, low, high))


def _of_two(row: dict[str, Any], variants: Mapping[str, list[str]]) -> Iterable[dict[str, Any]]:
    if "kinds" not in row:
        return [row]
    one, other = row["kinds"]
    return [{**row, "kinds": [a, b]} for a in variants.get(one, [one]) for b in variants.get(other, [other])]


def _of_all(row: dict[str, Any], variants: Mapping[str, list[str]]) -> dict[str, Any]:
    if not row.get("kinds"):
        return row
    return {**row, "kinds": [name for kind in row["kinds"] for name in variants.get(kind, [kind])]}


def _cost(kind: str, low_hz: int, high_hz: int, bandwidth_hz: int) -> dict[str, Any]:
    """One sample in the middle of a range, as wide as the range and a carrier: who overlaps it meets it, who touches does not."""
    return {
        "kinds": [kind],
        "low_hz": (low_hz + high_hz) // 2,
        "step_hz": high_hz - low_hz + bandwidth_hz - 1,
        "level_dbm": [1.0],
        "reference_dbm": 0.0,
        "weight": WEIGHT,
    }
