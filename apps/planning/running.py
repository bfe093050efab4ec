"""The life of a run's row: asked for, claimed, kept alive, ended; and swept up when a process died over it.

Held as `common.leases` says. Nothing here knows the solver.
"""

from typing import Any

from celery import current_app
from django.conf import settings
from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from apps.common.errors import Conflict, Fault, Faulty, require
from apps.common.leases import Work
from apps.events.actors import Actor, the_service
from apps.events.models import Event
from apps.events.rules import refusal_to_coordinate
from apps.journal import actions as journal
from apps.planning import documents, snapshot
from apps.planning.adopting import adopt
from apps.planning.models import Assignment, Run, RunDocument
from apps.planning.states import ACTIVE, RunState

MAX_SECONDS = 3600


@transaction.atomic
def request_run(*, actor: Actor, seconds: float | None = None, seed: int = 0, repair: bool = False) -> Run:
    """Freeze the event as it stands and queue it for a worker. One run of an event at a time.

    Raises Conflict when one is under way, Faulty when there is nothing to place.
    """
    require(refusal_to_coordinate(actor))
    seconds = settings.RUN_SECONDS if seconds is None else seconds
    if not 0 < seconds <= MAX_SECONDS:
        raise Faulty(
            [Fault(0, "seconds", str(seconds), f"Use more than 0 and at most {MAX_SECONDS} seconds.")]
        )
    event = Event.objects.select_for_update().get(pk=actor.event.pk)
    under_way = event.runs.filter(state__in=ACTIVE).first()
    if under_way:
        raise Conflict(f"Run {under_way.number} is {under_way.state}; wait for it or stop it first.")
    frozen = snapshot.freeze(event, repair=repair)
    if not frozen.versions:
        raise Faulty(
            [Fault(0, "", "", "There is nothing to place: no accepted registration asks for a carrier.")]
        )
    number = (event.runs.aggregate(last=Max("number"))["last"] or 0) + 1
    run = Run.objects.create(
        event=event, number=number, requested_by=actor.email, seconds=seconds, seed=seed, revision=event.revision,
        carriers=len(frozen.versions), rung_at=timezone.now(),
    )  # fmt: skip
    documents.keep(run, RunDocument.Role.PROBLEM, frozen.problem)
    told = {"versions": frozen.versions, "power_mw": frozen.power_mw, "kept": frozen.kept}
    documents.keep(run, RunDocument.Role.VERSIONS, told)
    journal.record(
        actor=actor, event=event.slug, verb="asked for a run", subject=f"run {number}",
        changes={f"run {number}": {"carriers": [None, run.carriers], "revision": [None, run.revision]}},
    )  # fmt: skip
    transaction.on_commit(lambda: ring(run.pk))
    return run


def ring(run_id: int) -> None:
    """Tell the workers of a run, each once. A message may be lost or come twice; the row decides who holds it, and who joins."""
    for _ in range(settings.RUN_WORKERS):
        current_app.send_task("planning.work", args=[run_id], queue="runs")


@transaction.atomic
def cancel_run(*, actor: Actor, run: Run, reason: str = "") -> Run:
    """Stop a run: at once when it is queued, at the worker's next heartbeat when it is running."""
    require(refusal_to_coordinate(actor))
    now = timezone.now()
    stopped = Run.objects.filter(pk=run.pk, state=RunState.QUEUED).update(
        state=RunState.CANCELLED, finished_at=now
    )
    if not stopped and not Run.objects.filter(pk=run.pk, state=RunState.RUNNING).update(
        cancel_requested=True
    ):
        raise Conflict(f"Run {run.number} has ended already.")
    journal.record(
        actor=actor,
        event=actor.event.slug,
        verb="stopped the run",
        subject=f"run {run.number}",
        reason=reason,
    )
    run.refresh_from_db()
    return run


# -- the worker's side ----------------------------------------------------------------------


WORK = Work(lambda: Run.objects.select_related("event"), RunState.QUEUED, RunState.RUNNING, ring)


def claim(run_id: int, worker: str) -> Run | None:
    """Take a queued run; None when somebody else has it, or it has ended."""
    now = timezone.now()
    return WORK.claim(run_id, claimed_by=worker, heartbeat_at=now, started_at=now, stage="reading", share=0)


def keep_alive(run: Run, **progress: Any) -> bool | None:
    """Renew the lease and note progress. True: stop, somebody asked for it; None: the run is no longer ours."""
    if not WORK.keep_alive(run, heartbeat_at=timezone.now(), **progress):
        return None
    return WORK.mine(run).values_list("cancel_requested", flat=True).first()


@transaction.atomic
def finish(run: Run, result: dict[str, Any], worst_load_db: float | None, *, cancelled: bool = False) -> bool:
    """Write the end of a run with its result, if the attempt is still ours. Adopts it where there is no plan yet."""
    cost = result["cost"]
    outcome = RunState.CANCELLED if cancelled else RunState.DONE
    values = {
        "placed": run.carriers - len(result["unplaced"]), "left_out": len(result["unplaced"]), "penalty": cost["penalty"],
        "worst_load_db": worst_load_db, "stopped": result["stopped"][:200],
        "best_seed": result["seed"],
    }  # fmt: skip
    if not _end(run, outcome, **values):
        return False
    documents.keep(run, RunDocument.Role.RESULT, result)
    service = the_service(run.event)
    journal.record(
        actor=service, event=run.event.slug, verb=f"ended the run as {outcome}", subject=f"run {run.number}",
        changes={f"run {run.number}": {name: [None, value] for name, value in values.items()}},
    )  # fmt: skip
    if outcome == RunState.DONE and not Assignment.objects.filter(event=run.event).exists():
        run.refresh_from_db()
        adopt(actor=service, run=run)
    return True


@transaction.atomic
def fail(run: Run, sentence: str) -> bool:
    """End a run that cannot be finished, with a sentence that a coordinator understands."""
    if not _end(run, RunState.FAILED, failure=sentence):
        return False
    journal.record(
        actor=the_service(run.event),
        event=run.event.slug,
        verb="gave up the run",
        subject=f"run {run.number}",
        reason=sentence,
    )
    return True


def _end(run: Run, state: str, **values: Any) -> bool:
    return WORK.end(run, state, finished_at=timezone.now(), share=1, stage="", **values)


def sweep() -> None:
    """Requeue runs whose worker fell silent, and ring again for runs that nobody took."""
    WORK.sweep(lambda run: run.attempt >= settings.RUN_ATTEMPTS, _give_up, stage="queued again")


def _give_up(run: Run) -> None:
    fail(
        run,
        f"{run.attempt} workers in a row died or fell silent over this run; the plan is unchanged. "
        "Ask for a shorter run, or have the machine's memory looked at.",
    )
