"""What the solver says about one carrier while somebody waits: where it could go, and what it can be tuned to."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from apps.events.models import Event
from apps.planning import snapshot, verdicts
from apps.solver import read_problem
from apps.solver.ask import ask

NEAREST = 8


@dataclass(frozen=True)
class Free:
    """A frequency that breaks no rule, and what it costs in wishes and tolerated products: the less the better."""

    hertz: int
    cost: float


@dataclass(frozen=True)
class Reach:
    """What a carrier can be tuned to: its step in hertz, and of all its points those nearest to what was typed."""

    step_hz: int
    nearest: tuple[int, ...]
    possible: bool


def free_near(event: Event, code: str, near_hz: int | None, count: int = NEAREST) -> tuple[Free, ...] | None:
    """Free frequencies of a carrier by their distance from one, or the cheapest; None where no run would take it up."""
    document = snapshot.freeze(event, all_movable=True).problem
    if not any(row["id"] == code for row in document["carriers"]):
        return None
    plan = sound(document, verdicts.plan_of(event))
    points = [row for row in ask(read_problem(document), plan, code) if row["state"] == "free"]
    points.sort(key=lambda row: (abs(row["hz"] - near_hz) if near_hz else 0, row["penalty"], row["hz"]))
    return tuple(Free(row["hz"], row["penalty"]) for row in points[:count])


def reach_of(event: Event, code: str, hertz: int) -> Reach | None:
    """What a carrier can be tuned to about a frequency; None where it can be tuned to nothing here."""
    document = snapshot.freeze(event, all_movable=True).problem
    row = next((row for row in document["carriers"] if row["id"] == code), None)
    if row is None or not row["tuning"]:
        return None
    found: set[int] = set()
    for part in row["tuning"]:
        steps = (part["high_hz"] - part["low_hz"]) // part["step_hz"]
        at = min(max((hertz - part["low_hz"]) // part["step_hz"], 0), steps)
        found |= {part["low_hz"] + part["step_hz"] * k for k in (at, min(at + 1, steps))}
    nearest = sorted(found, key=lambda hz: (abs(hz - hertz), hz))[:2]
    closest = min(row["tuning"], key=lambda part: max(part["low_hz"] - hertz, hertz - part["high_hz"], 0))
    return Reach(closest["step_hz"], tuple(sorted(nearest)), hertz in found)


def sound(document: Mapping[str, Any], plan: Mapping[str, int]) -> dict[str, int]:
    """The plan of everybody whom a problem knows; a frequency by hand may lie where its carrier cannot be tuned to."""
    return {
        row["id"]: row.get("fixed_hz", plan.get(row["id"], 0))
        for row in document["carriers"]
        if "fixed_hz" in row or row["id"] in plan
    }
