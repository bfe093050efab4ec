"""What coordinators do to the plan by hand: change, approve, lock, take back, accept a breach.

Runs have their own room (running, adopting).
"""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import F, QuerySet
from django.utils import timezone

from apps.common.choice import Choice
from apps.common.errors import Conflict, Fault, Faulty, Stale, require
from apps.events.actions import touch
from apps.events.actors import Actor, reader_of
from apps.events.rules import refusal_to_coordinate
from apps.journal import actions as journal
from apps.planning import rules, verdicts
from apps.planning.adopting import propose_again
from apps.planning.models import Acceptance, Assignment, LeftOut
from apps.planning.queries import Redaction, assignments_of
from apps.planning.states import AssignmentState
from apps.planning.verdicts import Breach
from apps.registry import actions as registry
from apps.registry.lines import MAX_HZ
from apps.registry.models import Carrier


@transaction.atomic
def change_frequency(
    *, actor: Actor, carrier: Carrier, frequency_hz: int, reason: str, version: int | None = None
) -> Assignment:
    """Set a carrier's frequency by hand. It is proposed again; what it breaks stands in the plan's breaches.

    Raises Forbidden when it is locked, Faulty without a reason, Stale when somebody changed it meanwhile.
    """
    current = Assignment.objects.select_for_update().filter(carrier=carrier).first()
    require(rules.refusal_to_change(actor, current))
    faults = []
    if type(frequency_hz) is not int or not 0 < frequency_hz <= MAX_HZ:
        faults.append(Fault(0, "frequency_hz", str(frequency_hz), "Give whole hertz, such as 470125000."))
    if not reason.strip():
        faults.append(Fault(0, "reason", "", "Say why; it stands in the journal and in the row."))
    if carrier.withdrawn:
        faults.append(Fault(0, "carrier", carrier.code, "This carrier was withdrawn by its department."))
    if faults:
        raise Faulty(faults)
    _still_at(current, version, carrier.code)
    old = current.frequency_hz if current else None
    if current is None:
        current = Assignment(event=actor.event, carrier=carrier, frequency_hz=frequency_hz)
    else:
        propose_again(current, frequency_hz)
    current.by_hand, current.reason = True, reason.strip()
    current.save()
    LeftOut.objects.filter(carrier=carrier).delete()
    touch(actor.event)
    verb = "changed the frequency of" if old else "gave a frequency to"
    journal.record(
        actor=actor, event=actor.event.slug, verb=verb, subject=carrier.code, reason=reason,
        department=carrier.registration.department.code, changes={carrier.code: {"frequency_hz": [old, frequency_hz]}},
    )  # fmt: skip
    return current


@transaction.atomic
def clear_frequency(*, actor: Actor, carrier: Carrier, reason: str, version: int | None = None) -> None:
    """Take a carrier out of the plan; it stays registered and the next run may place it."""
    current = Assignment.objects.select_for_update().filter(carrier=carrier).first()
    require(rules.refusal_to_change(actor, current))
    if current is None:
        raise Conflict(f"{carrier.code} has no frequency.")
    _still_at(current, version, carrier.code)
    changes = {carrier.code: {"frequency_hz": [current.frequency_hz, None]}}
    current.delete()
    touch(actor.event)
    journal.record(
        actor=actor, event=actor.event.slug, verb="took away the frequency of", subject=carrier.code, reason=reason,
        department=carrier.registration.department.code, changes=changes,
    )  # fmt: skip


def _still_at(current: Assignment | None, version: int | None, code: str) -> None:
    at = current.version if current else 0
    if version is not None and version != at:
        raise Stale(code, at)


# -- agreeing -------------------------------------------------------------------------------


@dataclass(frozen=True)
class Selection:
    """Which assignments an action is for: carrier codes, or a filter; `expected` repeats the count that was shown.

    `seen` holds carriers with the versions that somebody looked at; one that changed since refuses them all.
    """

    carriers: tuple[str, ...] | None = None
    filter: dict[str, str] | None = None
    expected: int | None = None
    seen: Choice | None = None

    @classmethod
    def of(cls, choice: Choice) -> "Selection":
        return cls(carriers=tuple(choice.versions), expected=len(choice), seen=choice)


def approve(*, actor: Actor, selection: Selection, reason: str = "") -> list[str]:
    """Agree to proposed assignments. Returns the carriers whose state changed."""
    return _agree(actor, selection, reason, AssignmentState.PROPOSED, AssignmentState.APPROVED, "approved")


def lock(*, actor: Actor, selection: Selection, reason: str = "") -> list[str]:
    """Promise not to move approved assignments: they enter the next run as fixed."""
    return _agree(actor, selection, reason, AssignmentState.APPROVED, AssignmentState.LOCKED, "locked")


def unlock(*, actor: Actor, selection: Selection, reason: str) -> list[str]:
    """Take back the promise; the assignments stay approved."""
    return _agree(actor, selection, reason, AssignmentState.LOCKED, AssignmentState.APPROVED, "unlocked")


def take_back(*, actor: Actor, selection: Selection, reason: str) -> list[str]:
    """Take back an approval, with a reason that stands in the row."""
    return _agree(
        actor,
        selection,
        reason,
        AssignmentState.APPROVED,
        AssignmentState.PROPOSED,
        "took back the approval of",
    )


@transaction.atomic
def _agree(actor: Actor, selection: Selection, reason: str, old: str, new: str, verb: str) -> list[str]:
    require(refusal_to_coordinate(actor))
    if not reason.strip() and verb not in ("approved", "locked"):
        raise Faulty([Fault(0, "reason", "", "Say why; it stands in the journal and in the row.")])
    rows = list(_selected(actor, selection).select_for_update(of=("self",)))
    if selection.expected is not None and len(rows) != selection.expected:
        raise Conflict(
            f"The selection holds {len(rows)} rows by now, not {selection.expected}; look at it again."
        )
    if selection.seen is not None:
        selection.seen.refuse_changed({row.carrier.code: row.version for row in rows})
    fit = [row for row in rows if row.state == old]
    others = [row for row in rows if row.state not in (old, new)]
    if selection.carriers is not None and others:
        names = ", ".join(f"{row.carrier.code} is {row.state}" for row in others[:10])
        raise Conflict(
            f"Only what is {old} can be {new}: {names}.",
            [{"carrier": row.carrier.code} for row in others],
            "carriers",
        )
    now = timezone.now()
    stamps: dict[str, dict[str, Any]] = {
        AssignmentState.APPROVED: {"approved_by": actor.email, "approved_at": now},
        AssignmentState.LOCKED: {"locked_by": actor.email, "locked_at": now},
        AssignmentState.PROPOSED: {"approved_by": "", "approved_at": None},
    }
    stamp = {"locked_by": "", "locked_at": None} if old == AssignmentState.LOCKED else stamps[new]
    keys = [row.pk for row in fit]
    if not keys:
        return []
    if reason.strip():  # without a new one, the reason that stood in the row goes on standing there
        stamp = {**stamp, "reason": reason.strip()}
    Assignment.objects.filter(pk__in=keys).update(state=new, version=F("version") + 1, **stamp)
    if AssignmentState.LOCKED in (old, new):
        registry.hold(carriers=[row.carrier_id for row in fit], held=new == AssignmentState.LOCKED)
    touch(actor.event)
    by_department: dict[str, list[str]] = defaultdict(list)
    for row in fit:
        by_department[row.carrier.registration.department.code].append(row.carrier.code)
    for (
        department,
        codes,
    ) in by_department.items():  # each department reads in the journal what became of its own
        journal.record(
            actor=actor, event=actor.event.slug, verb=verb, reason=reason, department=department,
            subject=codes[0] if len(codes) == 1 else f"{len(codes)} frequencies",
            changes={code: {"state": [old, new]} for code in codes},
        )  # fmt: skip
    return [row.carrier.code for row in fit]


FILTERS = {
    "department": "carrier__registration__department__code",
    "zone": "carrier__registration__zone__code",
    "kind": "carrier__registration__kind__code",
    "state": "state",
    "registration": "carrier__registration__label",
}


def _selected(actor: Actor, selection: Selection) -> QuerySet[Assignment]:
    found = assignments_of(actor)
    if selection.carriers is not None:
        codes = set(selection.carriers)
        known = set(found.filter(carrier__code__in=codes).values_list("carrier__code", flat=True))
        if codes - known:
            raise Faulty(
                [
                    Fault(0, "carriers", code, "No assignment of this carrier is in the plan.")
                    for code in sorted(codes - known)
                ]
            )
        return found.filter(carrier__code__in=codes)
    if selection.filter is None:
        raise Faulty([Fault(0, "carriers", "", "Name carriers, or give a filter ({} for all).")])
    unknown = [
        Fault(0, f"filter.{name}", str(value), f"There is no such filter; use {', '.join(FILTERS)}.")
        for name, value in selection.filter.items()
        if name not in FILTERS
    ]
    if unknown:
        raise Faulty(unknown)
    return found.filter(**{FILTERS[name]: value for name, value in selection.filter.items()})


# -- breaches -------------------------------------------------------------------------------


@transaction.atomic
def accept_breach(*, actor: Actor, breach: str, reason: str, until: datetime | None = None) -> Acceptance:
    """Sign under one breach of the plan as it stands, or of what is agreed of it.

    Raises Conflict when neither has such a breach (any more).
    """
    require(refusal_to_coordinate(actor))
    if not reason.strip():
        raise Faulty([Fault(0, "reason", "", "Say why this may stay; your name stands under it.")])
    found: Breach | None = next(
        (row for row in verdicts.judge(actor.event).breaches if row.key == breach), None
    )
    if found is None:
        raise Conflict("The plan has no such breach any more; look at it again.")
    require(rules.refusal_to_accept(found.rule))
    acceptance, _ = Acceptance.objects.update_or_create(
        event=actor.event, breach=breach,
        defaults={
            "description": found.words, "accepted_by": actor.email, "reason": reason.strip(), "until": until,
        },
    )  # fmt: skip
    for department, subject, words in _told_to(actor, found):
        journal.record(
            actor=actor, event=actor.event.slug, verb="accepted a breach", subject=subject, reason=reason, department=department,
            changes={breach: {"description": [None, words], "until": [None, until]}},
        )  # fmt: skip
    return acceptance


def _told_to(actor: Actor, breach: Breach) -> Iterator[tuple[str, str, str]]:
    """(department, its first carrier, the breach as its lead may know it) for each department concerned.

    First, under no department, in full: for those who see them all.
    """
    yield "", breach.carriers[0], breach.words
    rows = Carrier.objects.filter(event=actor.event, code__in=breach.carriers).order_by("code")
    first: dict[int, tuple[str, str]] = {}
    for key, department, code in rows.values_list(
        "registration__department_id", "registration__department__code", "code"
    ):
        first.setdefault(key, (department, code))
    for key, (department, code) in first.items():
        yield department, code, Redaction(reader_of(actor.event, key)).breach(breach)


@transaction.atomic
def end_acceptance(*, actor: Actor, acceptance: Acceptance, reason: str) -> None:
    require(refusal_to_coordinate(actor))
    journal.record(
        actor=actor, event=actor.event.slug, verb="took back an acceptance", subject=acceptance.description, reason=reason,
        changes={acceptance.breach: {"accepted_by": [acceptance.accepted_by, None]}},
    )  # fmt: skip
    acceptance.delete()
