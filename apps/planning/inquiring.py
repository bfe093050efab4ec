"""The life of an inquiry's row: asked, claimed, kept alive, ended; and swept up when a process died over it.

Held as `common.leases` says. Nothing here knows the solver.
"""

from typing import Any

from celery import current_app
from django.conf import settings
from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from apps.common.errors import Conflict, require
from apps.common.leases import Work
from apps.events.actors import Actor, the_service
from apps.events.models import Event
from apps.journal import actions as journal
from apps.planning.models import Inquiry, LeftOut
from apps.planning.rules import refusal_to_inquire
from apps.planning.states import ACTIVE, RunState

NOTHING_YET: dict[str, Any] = {"tried": 0, "total": None, "left_out": [], "has_room": None, "cures": []}


@transaction.atomic
def inquire(*, actor: Actor) -> Inquiry:
    """Ask what would place those left out. One inquiry of an event at a time; an unfinished one of the same plan is continued.

    Raises Conflict when one is under way, or when nobody is left out.
    """
    require(refusal_to_inquire(actor))
    event = Event.objects.select_for_update().get(pk=actor.event.pk)
    if event.inquiries.filter(state__in=ACTIVE).exists():
        raise Conflict("This is being looked into already; wait for the answer, or stop it first.")
    if not LeftOut.objects.filter(event=event, carrier__withdrawn=False).exists():
        raise Conflict("Nobody is left out, so there is nothing to look for.")
    last = event.inquiries.first()
    goes_on = last is not None and last.revision == event.revision and not last.whole
    begun = {name: getattr(last, name) for name in NOTHING_YET} if goes_on else NOTHING_YET
    number = (event.inquiries.aggregate(last=Max("number"))["last"] or 0) + 1
    inquiry = Inquiry.objects.create(
        event=event, number=number, asked_by=actor.email, revision=event.revision, rung_at=timezone.now(), **begun
    )  # fmt: skip
    journal.record(
        actor=actor, event=event.slug, verb="asked what would place those left out", subject=f"inquiry {number}",
        changes={f"inquiry {number}": {"revision": [None, event.revision]}},
    )  # fmt: skip
    transaction.on_commit(lambda: ring(inquiry.pk))
    return inquiry


def ring(inquiry_id: int) -> None:
    """Tell the workers of an inquiry. A message may be lost or come twice; the row decides."""
    current_app.send_task("planning.inquire", args=[inquiry_id], queue="quick")


@transaction.atomic
def stop(*, actor: Actor, inquiry: Inquiry) -> Inquiry:
    """Stop an inquiry: at once when it is queued, at the worker's next heartbeat when it is running. What it found is kept."""
    require(refusal_to_inquire(actor))
    rows = Inquiry.objects.filter(pk=inquiry.pk)
    queued = rows.filter(state=RunState.QUEUED)
    if not queued.update(state=RunState.CANCELLED, finished_at=timezone.now()) and not rows.filter(
        state=RunState.RUNNING
    ).update(stop_asked=True):
        raise Conflict("It has ended already; the answer stands here.")
    journal.record(
        actor=actor, event=actor.event.slug, verb="stopped the inquiry", subject=f"inquiry {inquiry.number}"
    )
    inquiry.refresh_from_db()
    return inquiry


# -- the worker's side ----------------------------------------------------------------------


WORK = Work(lambda: Inquiry.objects.select_related("event"), RunState.QUEUED, RunState.RUNNING, ring)


def claim(inquiry_id: int, worker: str) -> Inquiry | None:
    """Take a queued inquiry; None when somebody else has it, or it has ended."""
    return WORK.claim(inquiry_id, claimed_by=worker)


def keep_alive(inquiry: Inquiry, **progress: Any) -> bool | None:
    """Renew the lease and note progress. True: stop, somebody asked for it; None: the inquiry is no longer ours."""
    if not WORK.keep_alive(inquiry, **progress):
        return None
    return WORK.mine(inquiry).values_list("stop_asked", flat=True).first()


def finish(inquiry: Inquiry, *, stopped: bool = False, **progress: Any) -> bool:
    """Write the end with what was found, if the attempt is still ours. It is an answer, not a change: no journal entry."""
    return _end(inquiry, RunState.CANCELLED if stopped else RunState.DONE, **progress)


@transaction.atomic
def fail(inquiry: Inquiry, sentence: str) -> bool:
    """End an inquiry that cannot be answered, with a sentence that a coordinator understands; what it found stays."""
    if not _end(inquiry, RunState.FAILED, failure=sentence):
        return False
    journal.record(
        actor=the_service(inquiry.event), event=inquiry.event.slug, verb="gave up the inquiry",
        subject=f"inquiry {inquiry.number}", reason=sentence,
    )  # fmt: skip
    return True


def sweep() -> None:
    """Requeue inquiries whose worker fell silent, and ring again for those that nobody took."""
    WORK.sweep(lambda inquiry: inquiry.attempt >= settings.RUN_ATTEMPTS, _give_up)


def _give_up(inquiry: Inquiry) -> None:
    fail(
        inquiry,
        f"{inquiry.attempt} workers in a row died or fell silent over this; the plan is unchanged. "
        "Have the machine's memory looked at, then ask again.",
    )


def _end(inquiry: Inquiry, state: str, **values: Any) -> bool:
    return WORK.end(inquiry, state, finished_at=timezone.now(), **values)
