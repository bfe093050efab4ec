"""The life of a survey's row: kept, claimed by a worker, kept alive, ended; and what a coordinator says of it afterwards.

Held as `common.leases` says. Nothing here reads a survey; that is in reading.py.
"""

import gzip
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from celery import current_app
from django.conf import settings
from django.db import transaction
from django.db.models import F, Max
from django.utils import timezone

from apps.common.errors import Conflict, Fault, Faulty, require
from apps.common.leases import Work
from apps.events.actions import save_if_unchanged, touch
from apps.events.actors import Actor, the_service
from apps.events.models import Event, Zone
from apps.events.rules import refusal_to_coordinate
from apps.journal import actions as journal
from apps.spectrum.models import Occupied, Survey, SurveyPiece, SurveyTrace
from apps.spectrum.states import SurveyState

PIECE_BYTES = 1_000_000
ATTEMPTS = 3  # in a row; `attempt` never falls, so a fourth begins only when somebody has the file read again


@transaction.atomic
def keep_survey(
    *,
    actor: Actor,
    zone: Zone,
    name: str,
    content: Iterable[bytes],
    taken_at: datetime,
    resolution_hz: int | None,
    antenna: str = "",
    unit: str = "",
    floor_dbm: float | None = None,
    own: Sequence[dict[str, Any]] = (),
    own_words: str = "",
) -> Survey:
    """Keep a survey's file as it came, before anybody has read it, and ring for a worker.

    `content` is the file in pieces of any length; `unit` Hz, kHz, MHz, GHz or empty to recognise it; `own` the event's
    own carriers that were on the air. Raises Faulty for an empty file or one too large.
    """
    require(refusal_to_coordinate(actor))
    if resolution_hz is not None and resolution_hz <= 0:
        text = "Give the resolution bandwidth of the sweep, above 0 Hz."
        raise Faulty([Fault(0, "resolution_hz", str(resolution_hz), text)])
    event = Event.objects.select_for_update().get(pk=actor.event.pk)
    number = (event.surveys.aggregate(last=Max("number"))["last"] or 0) + 1
    survey = Survey.objects.create(
        event=event, number=number, zone=zone, name=name.strip()[:200] or "survey.txt", taken_at=taken_at,
        antenna=antenna, resolution_hz=resolution_hz, unit_told=unit, floor_told_dbm=floor_dbm, own=list(own),
        own_words=own_words, size=0, uploaded_by=actor.email, rung_at=timezone.now(),
    )  # fmt: skip
    size = 0
    for place, piece in enumerate(_pieces(content)):
        size += len(piece)
        if size > settings.SURVEY_MAX_BYTES:
            text = f"The file is too large; at most {settings.SURVEY_MAX_BYTES:,} bytes are taken. Split it by range."
            raise Faulty([Fault(0, "file", survey.name, text)])
        SurveyPiece.objects.create(survey=survey, number=place, content=gzip.compress(piece, 3, mtime=0))
    if not size:
        raise Faulty([Fault(0, "file", survey.name, "The file is empty; export the sweep again.")])
    survey.size = size
    survey.save(update_fields=["size"])
    journal.record(
        actor=actor, event=event.slug, verb="uploaded a survey", subject=f"survey {number}, {zone.name}",
        changes={f"survey {number}": {"file": [None, survey.name], "bytes": [None, size], "zone": [None, zone.code]}},
    )  # fmt: skip
    transaction.on_commit(lambda: ring(survey.pk))
    return survey


def _pieces(content: Iterable[bytes]) -> Iterable[bytes]:
    """The same bytes in pieces of one length."""
    rest = bytearray()
    for part in content:
        rest += part
        while len(rest) >= PIECE_BYTES:
            yield bytes(rest[:PIECE_BYTES])
            del rest[:PIECE_BYTES]
    if rest:
        yield bytes(rest)


def ring(survey_id: int) -> None:
    """Tell the workers of a survey. A message may be lost or come twice; the row decides."""
    current_app.send_task("spectrum.read_survey", args=[survey_id], queue="quick")


@transaction.atomic
def change_survey(*, actor: Actor, survey: Survey, version: int | None = None, **fields: Any) -> Survey:
    """Say something else of a survey: antenna, time, resolution_hz, counts, floor_told_dbm, unit_told, own, own_words.

    Another unit has the kept file read again. Raises Stale when somebody changed it meanwhile, Conflict while it is read.
    """
    require(refusal_to_coordinate(actor))
    again = fields.get("unit_told", survey.unit_told) != survey.unit_told
    if again and survey.active:
        raise Conflict("The survey is being read; wait for that, then say which unit it is in.")
    if again:
        attempt = -(-survey.attempt // ATTEMPTS) * ATTEMPTS
        fields |= {"state": SurveyState.WAITING, "share": 0, "attempt": attempt, "rung_at": timezone.now()}
    changes = save_if_unchanged(survey, version, str(survey), **fields)
    touch(actor.event)
    told = {
        field: [_plain(value) for value in values]
        for field, values in changes.items()
        if field not in ("state", "share", "attempt", "rung_at", "own")
    }
    journal.record(
        actor=actor, event=actor.event.slug, verb="changed a survey", subject=str(survey), changes={str(survey): told}
    )  # fmt: skip
    if again:
        transaction.on_commit(lambda: ring(survey.pk))
    return survey


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, datetime) else getattr(value, "code", value)


@transaction.atomic
def remove_survey(*, actor: Actor, survey: Survey) -> None:
    """Take a survey away with its file."""
    require(refusal_to_coordinate(actor))
    changes = {str(survey): {"file": [survey.name, None], "zone": [survey.zone.code, None]}}
    words = str(survey)
    survey.delete()
    touch(actor.event)
    journal.record(
        actor=actor, event=actor.event.slug, verb="removed a survey", subject=words, changes=changes
    )


@transaction.atomic
def accept_suggestions(*, actor: Actor, ranges: Sequence[tuple[int, int]], source: str) -> list[Occupied]:
    """Mark ranges that surveys suggest as taken: [(low_hz, high_hz)], each under a label of its own.

    Raises Faulty for a range upside down, Conflict when nothing is chosen or one is marked already.
    """
    require(refusal_to_coordinate(actor))
    faults = [
        Fault(row, "high_hz", str(high), f"The range must end above its start, {low}.")
        for row, (low, high) in enumerate(ranges, 1)
        if not 0 < low < high
    ]
    if faults:
        raise Faulty(faults)
    if not ranges:
        raise Conflict("Tick the ranges that are to be kept free of ours.")
    labels = {f"heard at {low / 1e6:.10g} to {high / 1e6:.10g} MHz": (low, high) for low, high in ranges}
    there = set(Occupied.objects.filter(event=actor.event, label__in=labels).values_list("label", flat=True))
    if there:
        raise Conflict(f"Marked already: {', '.join(sorted(there))}. Look at the list again.")
    rows = Occupied.objects.bulk_create(
        [
            Occupied(event=actor.event, label=label, low_hz=low, high_hz=high, source=source[:200])
            for label, (low, high) in labels.items()
        ]
    )
    touch(actor.event)
    journal.record(
        actor=actor, event=actor.event.slug, verb="marked occupied what surveys suggest", subject=f"{len(rows)} ranges",
        reason=source,
        changes={row.label: {"low_hz": [None, row.low_hz], "high_hz": [None, row.high_hz]} for row in rows},
    )  # fmt: skip
    return rows


# -- the worker's side ----------------------------------------------------------------------


WORK = Work(lambda: Survey.objects.select_related("event"), SurveyState.WAITING, SurveyState.READING, ring)


def claim(survey_id: int, worker: str) -> Survey | None:
    """Take a waiting survey; None when somebody else has it, or it has ended."""
    return WORK.claim(survey_id, claimed_by=worker, share=0, points=0)


def keep_alive(survey: Survey, share: float, points: int) -> bool:
    """Renew the lease and note progress; False when the survey is no longer ours."""
    return WORK.keep_alive(survey, share=share, points=points)


@transaction.atomic
def finish(survey: Survey, levels: bytes, **values: Any) -> bool:
    """Write what was understood, if the attempt is still ours. `levels` is the compressed trace."""
    if not _end(survey, SurveyState.READ, faults=[], fault_count=0, **values):
        return False
    SurveyTrace.objects.update_or_create(survey=survey, defaults={"content": levels})
    touch(survey.event)
    journal.record(
        actor=the_service(survey.event), event=survey.event.slug, verb="read the survey", subject=str(survey),
        changes={str(survey): {name: [None, values[name]] for name in ("points", "low_hz", "high_hz", "unit")}},
    )  # fmt: skip
    return True


@transaction.atomic
def refuse(survey: Survey, faults: Sequence[Fault], count: int) -> bool:
    """End a survey that cannot be read, with every fault that has a place on the page; the file stays."""
    if not _end(survey, SurveyState.FAULTY, faults=[fault.as_dict() for fault in faults], fault_count=count):
        return False
    SurveyTrace.objects.filter(survey=survey).delete()
    touch(survey.event)
    journal.record(
        actor=the_service(survey.event), event=survey.event.slug, verb="could not read the survey",
        subject=str(survey), reason=faults[0].message if faults else "",
    )  # fmt: skip
    return True


def _end(survey: Survey, state: str, **values: Any) -> bool:
    return WORK.end(survey, state, share=1, version=F("version") + 1, **values)


def sweep() -> None:
    """Put back surveys whose worker fell silent, and ring again for those that nobody took."""
    WORK.sweep(lambda survey: survey.attempt % ATTEMPTS == 0, _give_up)


def _give_up(survey: Survey) -> None:
    text = (
        f"{ATTEMPTS} workers in a row died over this file; it is kept. Thin it out or split it by range, "
        "or have the machine's memory looked at."
    )
    refuse(survey, [Fault(0, "file", survey.name, text)], 1)
