"""The life of an uploaded list: kept, judged, saved. A short list is saved at once, a long one by a worker.

As with runs the row is the truth and the queue a doorbell: every step is one conditional update, and the last one
stands in the same transaction as what it saves. A worker killed at any moment has saved all of it or nothing.
"""

import gzip
import json
import logging
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Any

from celery import current_app
from django.conf import settings
from django.db import transaction
from django.utils import timezone

from apps.common.errors import Conflict, Missing, Refusal, require
from apps.common.leases import Work
from apps.events import queries as events
from apps.events.actors import Actor, the_service
from apps.events.models import Department, Person
from apps.events.rules import refusal_to_act_for, refusal_to_write
from apps.journal import actions as journal
from apps.registry.batching import register_upload
from apps.registry.importing import Table, check_size, read_list
from apps.registry.judging import Judgement, Status, judge
from apps.registry.models import Upload
from apps.registry.states import UploadState

log = logging.getLogger(__name__)


@transaction.atomic
def keep_upload(
    *,
    actor: Actor,
    name: str,
    content: bytes,
    department: Department | None = None,
    sort: str = Upload.Sort.LIST,
) -> Upload:
    """Keep a device list or calendar as it came, before anybody has read it. Raises Faulty when it is too large to be kept."""
    if department is not None:
        require(refusal_to_act_for(actor, department.pk))
    else:
        require(refusal_to_write(actor))
    check_size(len(content))
    upload = Upload.objects.create(
        event=actor.event, department=department, name=name.strip()[:200] or sort, size=len(content), sort=sort,
        content=gzip.compress(content, mtime=0), uploaded_by=actor.email,
    )  # fmt: skip
    journal.record(
        actor=actor, event=actor.event.slug, verb=f"uploaded a {sort}", subject=upload.name,
        department=department.code if department else "", changes={upload.name: {"bytes": [None, len(content)]}},
    )  # fmt: skip
    return upload


def content_of(upload: Upload) -> bytes:
    """The list as it came, byte for byte."""
    return gzip.decompress(bytes(upload.content))


def table_of(upload: Upload) -> Table:
    """What is read in the list; of a workbook it is kept, for to unpack one takes seconds. Raises Faulty."""
    if upload.read:
        return Table(**json.loads(gzip.decompress(bytes(upload.read))))
    table = read_list(content_of(upload))
    if table.form == "xlsx":
        read = gzip.compress(json.dumps(asdict(table)).encode(), compresslevel=1, mtime=0)
        Upload.objects.filter(pk=upload.pk).update(read=read)
    return table


def rows_of(upload: Upload, table: Table) -> list[dict[str, str]]:
    """The rows as they are judged: those that name no department belong to the upload's."""
    if upload.department is None:
        return table.rows
    code = upload.department.code
    return [row if row.get("department") else {**row, "department": code} for row in table.rows]


@transaction.atomic
def save_upload(
    *, actor: Actor, upload: Upload, rows: Iterable[Mapping[str, Any]], seen: str, good_only: bool = False,
    rule: Mapping[str, Any] | None = None, attempt: int | None = None,
) -> dict[str, int]:  # fmt: skip
    """Save what an upload says, if it still does what was shown. Returns {new, changed, unchanged, left_out}.

    All or nothing, unless `good_only`: then the faulty rows are left out, and their faults kept with the upload.
    `rule` says how a calendar's entries became these rows.
    `seen` is the fingerprint of the judgements that stood on the page; `attempt` is the worker's own. Raises Faulty,
    or Conflict when the list would do something else by now, was saved before, or is somebody else's to save.
    """
    expected = (
        {"state": UploadState.KEPT} if attempt is None else {"state": UploadState.SAVING, "attempt": attempt}
    )
    # The first write: who has the row now has it to the end, and whoever comes second finds it saved.
    if not Upload.objects.filter(pk=upload.pk, **expected).update(
        state=UploadState.SAVED, saved_at=timezone.now(), saved_by=actor.email, lease_until=None, stage="", share=1,
        refusal="",
    ):  # fmt: skip
        raise Conflict("This list was saved already, or is being saved; upload it again to judge it anew.")
    judgements = register_upload(
        actor=actor, upload=upload, rows=rows, all_or_nothing=not good_only, seen=seen
    )
    outcome = _outcome(judgements)
    Upload.objects.filter(pk=upload.pk).update(
        outcome=outcome, left_out=_left_out(judgements), rule=dict(rule or {})
    )
    journal.record(
        actor=actor, event=actor.event.slug, verb=f"saved an uploaded {upload.sort}", subject=upload.name,
        department=upload.department.code if upload.department else "",
        changes={upload.name: {name: [None, count] for name, count in outcome.items()}},
    )  # fmt: skip
    return outcome


def _outcome(judgements: list[Judgement]) -> dict[str, int]:
    counted = {status: sum(judged.status == status for judged in judgements) for status in Status}
    named = {status.value: counted[status] for status in (Status.NEW, Status.CHANGED, Status.UNCHANGED)}
    return {**named, "left_out": counted[Status.FAULTY]}


def _left_out(judgements: list[Judgement]) -> list[dict[str, Any]]:
    return [fault.as_dict() for judged in judgements for fault in judged.faults]


# -- long lists: the person's side ----------------------------------------------------------


@transaction.atomic
def ask_to_save(*, actor: Actor, upload: Upload, seen: str, good_only: bool = False) -> None:
    """Have a worker save the list, as `save_upload` would. Raises Conflict when it was saved or asked for before."""
    require(refusal_to_write(actor))
    if not Upload.objects.filter(pk=upload.pk, state=UploadState.KEPT).update(
        state=UploadState.QUEUED, saved_by=actor.email, seen=seen[:16], good_only=good_only, attempt=0, share=0, stage="",
        refusal="", rung_at=timezone.now(),
    ):  # fmt: skip
        raise Conflict("This list was saved already, or is being saved; upload it again to judge it anew.")
    journal.record(
        actor=actor, event=actor.event.slug, verb="asked for a list to be saved", subject=upload.name,
        department=upload.department.code if upload.department else "",
    )  # fmt: skip
    transaction.on_commit(lambda: _ring(upload.pk))


def _ring(upload_id: int) -> None:
    current_app.send_task("registry.save_upload", args=[upload_id], queue="quick")


@transaction.atomic
def call_off(*, actor: Actor, upload: Upload) -> None:
    """Take back what nobody has begun to save. Raises Conflict when somebody has."""
    require(refusal_to_write(actor))
    if not Upload.objects.filter(pk=upload.pk, state=UploadState.QUEUED).update(
        state=UploadState.KEPT, saved_by=""
    ):
        raise Conflict("This list is being saved already, or was; it cannot be called off any more.")
    journal.record(
        actor=actor, event=actor.event.slug, verb="called off saving a list", subject=upload.name,
        department=upload.department.code if upload.department else "",
    )  # fmt: skip


# -- long lists: the worker's side ----------------------------------------------------------


WORK = Work(
    lambda: Upload.objects.select_related("event", "department"),
    UploadState.QUEUED,
    UploadState.SAVING,
    _ring,
)


def carry_out(upload_id: int) -> None:
    """Save a list that somebody asked for. Returns quietly when it is not there to be taken."""
    upload = WORK.claim(upload_id, stage="reading", share=0)
    if upload is None:
        return
    try:
        actor = _asker(upload)
        _note(upload, "reading", 0.05)
        rows = rows_of(upload, table_of(upload))
        _note(upload, f"judging {len(rows):,} rows", 0.2)
        judge(actor, rows, lambda done: _note(upload, f"judging {len(rows):,} rows", 0.2 + 0.3 * done))
        # On SQLite nobody writes while this does, so that no progress can be noted in between.
        _note(upload, f"saving {len(rows):,} rows", 0.5)
        save_upload(
            actor=actor,
            upload=upload,
            rows=rows,
            seen=upload.seen,
            good_only=upload.good_only,
            attempt=upload.attempt,
        )
    except Refusal as refusal:
        _refuse(
            upload,
            str(refusal) or "Whoever asked for this may not register here any more; nothing was saved.",
        )
    except Exception as error:
        log.exception("upload %s of %s was not saved", upload.pk, upload.event.slug)
        _refuse(
            upload,
            f"The service met an error that it did not expect ({type(error).__name__}: {error}); nothing was saved. "
            "Try again; if it fails again, show this sentence to whoever runs the service.",
        )


def _asker(upload: Upload) -> Actor:
    """Whoever asked, with what they may do by now. Raises Missing when they are nothing in the event any more."""
    person = Person.objects.filter(email=upload.saved_by).first()
    if person is None:
        raise Missing(f"There is nobody any more of the address {upload.saved_by}, who asked for this.")
    return events.actor_in(person, upload.event.slug)


def _note(upload: Upload, stage: str, share: float) -> None:
    """Renew the lease and note progress. Raises Conflict when the list is no longer ours."""
    if not WORK.keep_alive(upload, stage=stage, share=share):
        raise Conflict("Another worker has taken this list.")


@transaction.atomic
def _refuse(upload: Upload, sentence: str) -> None:
    """Put the list back as it was judged, with the reason on its page, if it is still ours."""
    if WORK.end(upload, UploadState.KEPT, refusal=sentence, stage="", share=0, saved_by=""):
        journal.record(
            actor=the_service(upload.event), event=upload.event.slug, verb="did not save a list",
            subject=upload.name, department=upload.department.code if upload.department else "", reason=sentence,
        )  # fmt: skip


def sweep() -> None:
    """Queue again what a dead worker left behind, and ring again for lists that nobody took."""
    WORK.sweep(lambda upload: upload.attempt >= settings.RUN_ATTEMPTS, _give_up, stage="queued again")


def _give_up(upload: Upload) -> None:
    _refuse(
        upload,
        f"{upload.attempt} workers in a row died over this list; nothing of it was saved. "
        "Split it into shorter ones, or have the machine's memory looked at.",
    )
