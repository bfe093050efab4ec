"""Taking a finished run's proposal into the plan."""

import hashlib
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.utils import timezone

from apps.common.errors import Conflict, require
from apps.events.actions import touch
from apps.events.actors import Actor
from apps.events.rules import refusal_to_coordinate
from apps.journal import actions as journal
from apps.planning import band_plan, documents
from apps.planning.models import Assignment, LeftOut, Run, RunDocument
from apps.planning.queries import ADOPTED
from apps.planning.reasons import CUT_SHORT
from apps.planning.states import AssignmentState, RunState
from apps.registry.models import Carrier


@dataclass(frozen=True)
class Proposal:
    """What adopting a run would do to the plan as it stands now.

    changes: {carrier code: [old hertz or None, new hertz or None]}; passed_over: {carrier code: why it is left alone};
    unchanged: how many keep their frequency.
    """

    changes: dict[str, list[int | None]]
    passed_over: dict[str, str]
    unchanged: int

    @property
    def digest(self) -> str:
        """The same for proposals that would do the same."""
        return hashlib.sha256(repr(sorted(self.changes.items())).encode()).hexdigest()[:16]


def proposal_of(run: Run) -> Proposal:
    """Compare a run's result with the plan: only carriers unchanged since the snapshot would be touched."""
    result, frozen = (
        documents.read(run, RunDocument.Role.RESULT),
        documents.read(run, RunDocument.Role.VERSIONS),
    )
    if result is None or frozen is None:
        return Proposal({}, {}, 0)
    now = {
        row.carrier.code: row for row in Assignment.objects.filter(event=run.event).select_related("carrier")
    }
    there = set(Carrier.objects.filter(event=run.event, withdrawn=False).values_list("code", flat=True))
    changes: dict[str, list[int | None]] = {}
    passed_over: dict[str, str] = {}
    unchanged = 0
    for code, version in frozen["versions"].items():
        current = now.get(code)
        old, new = current.frequency_hz if current else None, result["assignments"].get(code)
        if old == new:
            unchanged += new is not None
        elif code not in there:
            passed_over[code] = "withdrawn since"
        elif (current.version if current else 0) != version:
            passed_over[code] = "changed since the run began"
        elif current and current.state == AssignmentState.LOCKED:
            passed_over[code] = "locked"
        else:
            changes[code] = [old, new]
    return Proposal(changes, passed_over, unchanged)


@transaction.atomic
def adopt(*, actor: Actor, run: Run, seen: str | None = None) -> Proposal:
    """Make a finished run's proposal the plan, except for what changed since its snapshot. Once per run.

    An approved assignment that the run moves is proposed again; one that it leaves out loses its frequency.
    `seen` is the digest of the proposal that somebody looked at; by now another one is refused.
    """
    require(refusal_to_coordinate(actor))
    if run.state not in (RunState.DONE, RunState.CANCELLED):
        raise Conflict(
            f"Run {run.number} is {run.state}; only one that has ended with a result can be adopted."
        )
    taken = Run.objects.filter(pk=run.pk, adopted_at=None).update(
        adopted_at=timezone.now(), adopted_by=actor.email
    )
    if not taken:
        raise Conflict(f"Run {run.number} was adopted already.")
    proposal = proposal_of(run)
    if seen is not None and seen != proposal.digest:
        raise Conflict(
            "The plan changed since you looked, so adopting would now do something else. Look again."
        )
    _write(run, proposal)
    _explain(run, proposal)
    touch(run.event)
    journal.record(
        actor=actor, event=run.event.slug, verb=ADOPTED, subject=f"run {run.number}",
        changes={code: {"frequency_hz": pair} for code, pair in proposal.changes.items()},
        reason=f"{len(proposal.passed_over)} left alone" if proposal.passed_over else "",
    )  # fmt: skip
    return proposal


def _write(run: Run, proposal: Proposal) -> None:
    power = documents.read(run, RunDocument.Role.VERSIONS)["power_mw"]
    carriers = {row.code: row for row in Carrier.objects.filter(event=run.event, code__in=proposal.changes)}
    current = {row.carrier_id: row for row in Assignment.objects.filter(carrier__in=carriers.values())}
    new, moved, gone = [], [], []
    for code, (_, hertz) in proposal.changes.items():
        carrier = carriers[code]
        assignment = current.get(carrier.pk)
        if hertz is None:
            gone += [assignment.pk] if assignment else []
        elif assignment is None:
            new.append(
                Assignment(event=run.event, carrier=carrier, frequency_hz=hertz, power_mw=power.get(code))
            )
        else:
            propose_again(assignment, hertz)
            assignment.power_mw = power.get(code)
            moved.append(assignment)
    Assignment.objects.filter(pk__in=gone).delete()
    Assignment.objects.bulk_create(new)
    Assignment.objects.bulk_update(moved, PROPOSED_AGAIN, batch_size=200)


PROPOSED_AGAIN = [
    "frequency_hz", "power_mw", "state", "by_hand", "reason", "approved_by", "approved_at", "locked_by", "locked_at", "version",
]  # fmt: skip


def propose_again(assignment: Assignment, hertz: int) -> None:
    """Another frequency is another proposal: whoever agreed to the old one has not agreed to it."""
    assignment.frequency_hz = hertz
    assignment.state = AssignmentState.PROPOSED
    assignment.by_hand, assignment.reason = False, ""
    assignment.approved_by = assignment.locked_by = ""
    assignment.approved_at = assignment.locked_at = None
    assignment.version += 1


def left_out_by(run: Run, result: dict[str, Any]) -> dict[str, list[dict[str, Any]]]:
    """{carrier left out: causes with their shares}: the solver's, and what the band plan had kept from it before.

    A run that was ended before it was through says so first: what the solver names then is what it had looked at.
    """
    kept = (documents.read(run, RunDocument.Role.VERSIONS) or {}).get("kept", {})
    ended = [CUT_SHORT[result["stopped"]]] if result["stopped"] in CUT_SHORT else []
    return {
        row["id"]: ended + band_plan.with_causes(row["blocked_by"], kept.get(row["id"], []))
        for row in result["unplaced"]
    }


def _explain(run: Run, proposal: Proposal) -> None:
    """Keep why carriers have no frequency now; forget it for those that have one."""
    result: dict[str, Any] = documents.read(run, RunDocument.Role.RESULT)
    reasons = {
        code: causes for code, causes in left_out_by(run, result).items() if code not in proposal.passed_over
    }
    touched = {*result["assignments"], *reasons} - set(proposal.passed_over)
    LeftOut.objects.filter(event=run.event, carrier__code__in=touched).delete()
    carriers = Carrier.objects.filter(event=run.event, withdrawn=False, code__in=reasons)
    LeftOut.objects.bulk_create(
        LeftOut(event=run.event, carrier=carrier, run=run, blocked_by=reasons[carrier.code])
        for carrier in carriers
    )
