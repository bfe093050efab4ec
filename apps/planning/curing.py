"""What a worker does with an inquiry: try one change after the other and say in words which would place whom."""

import logging
import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from django.conf import settings

from apps.events.models import Event
from apps.planning import inquiring, snapshot, verdicts
from apps.planning.asking import sound
from apps.planning.models import Inquiry, LeftOut
from apps.planning.reasons import in_print
from apps.planning.working import Heartbeat
from apps.solver import MalformedProblem, Problem, read_problem
from apps.solver.remedies import Change, buys, changes, placeable

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Question:
    """Those left out of the plan as it stands, and all that is to be tried for them, in an order that only the event decides."""

    document: Mapping[str, Any]
    problem: Problem
    plan: Mapping[str, int]
    left_out: list[str]
    changes: list[Change]
    kinds: Mapping[str, str]

    @classmethod
    def of(cls, event: Event) -> "Question":
        document = snapshot.freeze(event, all_movable=True).problem
        problem, plan = read_problem(document), sound(document, verdicts.plan_of(event))
        known = {carrier.id for carrier in problem.carriers} - set(plan)
        rows = LeftOut.objects.filter(event=event).values_list("carrier__code", flat=True)
        left = sorted(known.intersection(rows))
        names = dict(event.kinds.values_list("code", "name"))
        return cls(document, problem, plan, left, changes(problem, plan) if left else [], names)


def work(inquiry_id: int, worker: str) -> None:
    """Carry one inquiry to its end. Returns quietly when it is not there to be taken."""
    inquiry = inquiring.claim(inquiry_id, worker)
    if inquiry is None:
        return
    with Heartbeat(partial(inquiring.keep_alive, inquiry), f"inquiry {inquiry.pk}") as heart:
        try:
            found = _found(inquiry, heart)
        except MalformedProblem as malformed:
            faults = "; ".join(f"{fault.path}: {fault.message}" for fault in malformed.faults[:3])
            inquiring.fail(
                inquiry, f"The event as it stands is no problem that the solver can read. {faults}"
            )
            return
        except Exception as error:
            log.exception("inquiry %s of %s failed", inquiry.number, inquiry.event.slug)
            inquiring.fail(
                inquiry,
                f"The solver met an error that it did not expect ({type(error).__name__}: {error}); the plan is unchanged. "
                "Ask again; if it fails again, show this sentence to whoever runs the service.",
            )
            return
    if not heart.lost:
        inquiring.finish(inquiry, stopped=heart.stop_asked, **found)


def _found(inquiry: Inquiry, heart: Heartbeat) -> dict[str, Any]:
    """What is found until all is tried, time is up or somebody asks to stop; told to the heart as it comes."""
    ends = time.monotonic() + settings.INQUIRY_SECONDS
    # Read before the rest: what changes from now on makes the answer stale, never wrong unnoticed.
    revision = inquiry.event.revision
    begun = inquiry if inquiry.revision == revision else Inquiry()
    question = Question.of(inquiry.event)
    found: dict[str, Any] = {
        "revision": revision, "left_out": question.left_out, "total": len(question.changes), "tried": begun.tried,
        "has_room": begun.has_room, "cures": list(begun.cures),
    }  # fmt: skip

    def over() -> bool:
        return heart.should_stop() or time.monotonic() > ends

    if found["has_room"] is None:
        room = placeable(question.problem, question.plan, should_stop=over) if question.left_out else ()
        if over():
            return found
        found["has_room"] = [code for code in room if code in question.left_out]
        heart.tell(**found)
    stuck = set(question.left_out) - set(found["has_room"])
    if not stuck:
        found["tried"] = found["total"]  # nobody is left whom a change could help
    while found["tried"] < found["total"]:
        change = question.changes[found["tried"]]
        places = buys(change, stuck, should_stop=over)
        if over():
            break
        cures = found["cures"]
        if places:
            cures = [*cures, {"words": in_words(change, question), "places": list(places)}]
            cures.sort(key=lambda cure: -len(cure["places"]))
        found = {**found, "cures": cures, "tried": found["tried"] + 1}
        heart.tell(**found)
    return found


def in_words(change: Change, question: Question) -> str:
    """A change as a coordinator would put it."""
    if change.what == "withdraw":
        return f"Take the frequency of {change.name} away, which matters less"
    if change.what == "open":
        row = question.document["blocked"][_row(change.name)]
        where = f"{row['low_hz'] / 1e6:g}–{row['high_hz'] / 1e6:g} MHz"
        name = f" ({row['id']})" if row.get("id") else ""
        return f"Open the occupied range {where}{name}"
    if not change.name.startswith("products["):
        return "Halve the distances that neighbouring frequencies keep"
    rule = question.document["products"][_row(change.name)]
    made = f" made in {rule['made_in']}" if rule.get("made_in") else ""
    whom = _kinds(rule.get("kinds") or (), question.kinds)
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
