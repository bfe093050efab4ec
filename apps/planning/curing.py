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
from apps.planning.limits import between
from apps.planning.models import Assignment, Inquiry, LeftOut
from apps.planning.reasons import in_print
from apps.planning.states import AssignmentState
from apps.planning.working import Heartbeat
from apps.registry.models import Carrier, Registration
from apps.solver import MalformedProblem, Problem, read_problem
from apps.solver.problem import Tuning
from apps.solver.remedies import Change, Remedy, buys, changes, placeable

log = logging.getLogger(__name__)

NOTE = 80  # characters of a note that are quoted


@dataclass(frozen=True)
class Question:
    """Those left out of the plan as it stands, and all that is to be tried for them, in an order that only the event decides."""

    document: Mapping[str, Any]
    problem: Problem
    plan: Mapping[str, int]
    left_out: list[str]
    changes: list[Change]
    kinds: Mapping[str, str]
    lines: Mapping[int, Registration]

    @classmethod
    def of(cls, event: Event) -> "Question":
        document = snapshot.freeze(event, all_movable=True).problem
        problem, plan = read_problem(document), sound(document, verdicts.plan_of(event))
        known = {carrier.id for carrier in problem.carriers} - set(plan)
        rows = LeftOut.objects.filter(event=event, carrier__code__in=known).select_related("carrier")
        rows = rows.select_related("carrier__registration__department").order_by("carrier__code")
        lines = {row.carrier.registration_id: row.carrier.registration for row in rows}
        names = dict(event.kinds.values_list("code", "name"))
        unlocked = _unlocked(event)
        found = changes(
            problem,
            plan,
            causes=[cause for row in rows for cause in row.blocked_by],
            wider=_wider(event, document, lines),
            may_move=unlocked,
            may_go=unlocked,
        )
        return cls(
            document, problem, plan, [row.carrier.code for row in rows], found if rows else [], names, lines
        )


def _wider(
    event: Event, document: Mapping[str, Any], lines: Mapping[int, Registration]
) -> dict[str, dict[str, tuple[Tuning, ...]]]:
    """{line: {carrier: what it could be tuned to}} of those lines that limit themselves to less."""
    tuned = snapshot.beyond_limits(event, lines)
    if not tuned:
        return {}
    rows = [row | {"tuning": tuned.get(row["id"], row["tuning"])} for row in document["carriers"]]
    of_line = dict(Carrier.objects.filter(event=event, code__in=tuned).values_list("code", "registration"))
    found: dict[str, dict[str, tuple[Tuning, ...]]] = {}
    for carrier in read_problem({**document, "carriers": rows}).carriers:
        if carrier.id in tuned:
            found.setdefault(str(of_line[carrier.id]), {})[carrier.id] = carrier.tuning
    return found


def _unlocked(event: Event) -> set[str]:
    """Whom a coordinator may ask to move, or to go without: a lock is a promise, so nobody who is locked."""
    free = Assignment.objects.filter(event=event, carrier__withdrawn=False)
    return set(free.exclude(state=AssignmentState.LOCKED).values_list("carrier__code", flat=True))


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
        bought = buys(change, stuck, should_stop=over)
        if over():
            break
        cures = found["cures"]
        if bought.places:
            cure = {"words": in_words(change, bought, question), "places": list(bought.places)}
            cures = [*cures, cure | _where(change)]
            cures.sort(key=lambda cure: -len(cure["places"]))
        found = {**found, "cures": cures, "tried": found["tried"] + 1}
        heart.tell(**found)
    return found


def _where(change: Change) -> dict[str, Any]:
    """The line or the carrier on whose page the change is made, where it has one."""
    if change.what == "widen":
        return {"line": int(change.name)}
    return {"carrier": change.name} if change.what in ("move", "withdraw") else {}


def in_words(change: Change, bought: Remedy, question: Question) -> str:
    """A change as a coordinator would put it."""
    if change.what == "widen":
        line = question.lines[int(change.name)]
        only = between(line.low_hz, line.high_hz)
        # Why a line limits itself is often said there, and nowhere else.
        note = f" (its note says: «{' '.join(line.notes.split())[:NOTE]}»)" if line.notes.strip() else ""
        return f"Let «{line}» use more than {only}: all that its kind tunes and that is permitted here{note}"
    if change.what == "move" and bought.moved_hz:
        now, then = question.plan[change.name] / 1e6, bought.moved_hz / 1e6
        return f"Let {change.name} move from {now:.10g} to {then:.10g} MHz"
    if change.what == "withdraw":
        return f"Take the frequency of {change.name} away: its priority is lower"
    if change.what == "open":
        row = question.document["blocked"][_row(change.name)]
        where = f"{row['low_hz'] / 1e6:g}–{row['high_hz'] / 1e6:g} MHz"
        name = f" ({row['id']})" if row.get("id") else ""
        return f"Open the occupied range {where}{name}"
    if not change.name.startswith("products["):
        return "Halve the distances that neighbouring frequencies keep, everywhere: a risk, to be tried by ear on site first"
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
