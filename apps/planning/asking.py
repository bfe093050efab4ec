"""What the solver says about the plan while somebody waits: where one carrier could go, and what would place those left out."""

import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from django.core.cache import cache

from apps.events.models import Event
from apps.planning import snapshot, verdicts
from apps.planning.models import LeftOut
from apps.planning.reasons import in_print
from apps.solver import read_problem
from apps.solver.ask import ask
from apps.solver.remedies import Remedy, placeable, remedies

NEAREST = 8
REMEDY_SECONDS = 20.0


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


@dataclass(frozen=True)
class Cure:
    """One change in words, and the carriers that it would place without moving anybody else."""

    words: str
    places: tuple[str, ...]


@dataclass(frozen=True)
class Cures:
    """What would place those left out, the most effective first; `all_tried` is false when time ran out.

    `as_it_stands`: those who have room by now without any change, which the next run finds.
    """

    as_it_stands: tuple[str, ...]
    found: tuple[Cure, ...]
    all_tried: bool


def free_near(event: Event, code: str, near_hz: int | None, count: int = NEAREST) -> tuple[Free, ...] | None:
    """Free frequencies of a carrier by their distance from one, or the cheapest; None where no run would take it up."""
    document = snapshot.freeze(event, all_movable=True).problem
    if not any(row["id"] == code for row in document["carriers"]):
        return None
    plan = _sound(document, verdicts.plan_of(event))
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


def cures_of(event: Event) -> Cures:
    """Which one change would place how many of those left out; tried one by one, and kept until the event changes."""
    key = f"cures:{event.pk}:{event.created_at.timestamp()}:{event.revision}"
    kept: Cures | None = cache.get(key)
    if kept is None:
        document = snapshot.freeze(event, all_movable=True).problem
        plan = _sound(document, verdicts.plan_of(event))
        ends = time.monotonic() + REMEDY_SECONDS
        late: list[bool] = []

        def out_of_time() -> bool:
            if time.monotonic() > ends:
                late.append(True)
            return bool(late)

        problem = read_problem(document)
        out = set(LeftOut.objects.filter(event=event).values_list("carrier__code", flat=True))
        room = tuple(code for code in placeable(problem, plan) if code in out)
        found = [
            Remedy(row.what, row.name, places)
            for row in remedies(problem, plan, should_stop=out_of_time)
            if (places := tuple(code for code in row.places if code in out))
        ]
        names = dict(event.kinds.values_list("code", "name"))
        kept = Cures(
            room, tuple(Cure(_in_words(row, document, names), row.places) for row in found), not late
        )
        cache.set(key, kept, timeout=3600)
    return kept


def _sound(document: Mapping[str, Any], plan: Mapping[str, int]) -> dict[str, int]:
    """What of a plan stands where its carriers can be tuned, and what is fixed.

    A frequency by hand may lie where the solver has no axis for it; saving recounts it in any case.
    """
    return {
        row["id"]: row.get("fixed_hz", plan.get(row["id"], 0))
        for row in document["carriers"]
        if "fixed_hz" in row or any(_reaches(part, plan.get(row["id"], 0)) for part in row["tuning"])
    }


def _reaches(part: Mapping[str, int], hertz: int) -> bool:
    return part["low_hz"] <= hertz <= part["high_hz"] and (hertz - part["low_hz"]) % part["step_hz"] == 0


def _in_words(remedy: Remedy, document: Mapping[str, Any], names: Mapping[str, str]) -> str:
    if remedy.what == "withdraw":
        return f"Take the frequency of {remedy.name} away, which matters less"
    if remedy.what == "open":
        row = document["blocked"][_row(remedy.name)]
        where = f"{row['low_hz'] / 1e6:g}–{row['high_hz'] / 1e6:g} MHz"
        name = f" ({row['id']})" if row.get("id") else ""
        return f"Open the occupied range {where}{name}"
    if not remedy.name.startswith("products["):
        return "Halve the distances that neighbouring frequencies keep"
    rule = document["products"][_row(remedy.name)]
    made = f" made in {rule['made_in']}" if rule.get("made_in") else ""
    whom = _kinds(rule.get("kinds") or (), names)
    return f"Let {in_print(rule['family'])}{made} land on {whom}, under a signature"


def _row(name: str) -> int:
    return int(name[name.index("[") + 1 : name.index("]")])


def _kinds(codes: Iterable[str], names: Mapping[str, str]) -> str:
    """Kinds by name; of one with several roles the role's code is added."""
    told = []
    for code in codes:
        kind, _, role = code.partition("/")
        told.append(f"{names.get(kind, kind)}{f' ({role})' if role else ''}")
    return ", ".join(told) or "anybody"
