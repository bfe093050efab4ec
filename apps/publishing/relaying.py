"""Reading the journal on from where the post last stood, and putting what it means into webhooks and letter boxes.

What was read and what was made of it are written together, so that a process killed in between makes nothing twice and
leaves nothing out.
"""

import json
from datetime import datetime

from django.db import transaction
from django.utils import timezone

from apps.events.models import Event
from apps.journal.models import Entry
from apps.publishing import noticing, queries, signing, turns
from apps.publishing.models import Delivery, Hook, Reading
from apps.publishing.occurrences import Occurrence, Reader

ENTRIES = 100  # in one transaction


def sweep() -> None:
    """Ring for whatever is due; called now and then by every worker."""
    new = list(Event.objects.filter(reading=None))
    if new:
        Reading.objects.bulk_create([Reading(event=event) for event in new], ignore_conflicts=True)
    turns.ring(queries.unread(), turns.READ)
    turns.ring(queries.hooks_with_work(), turns.DELIVER)
    turns.ring(queries.mailboxes_due(), turns.WRITE)


def read(key: int) -> None:
    """Take a turn at an event's journal: read it to its end, then ring for what came of it."""
    reading = turns.take(Reading, key)
    if reading is None:
        return
    try:
        while turns.keep(reading) and _read_some(reading):
            pass
    finally:
        turns.leave(reading)
    turns.ring(queries.hooks_with_work().filter(event=reading.event_id), turns.DELIVER)


@transaction.atomic
def _read_some(reading: Reading) -> bool:
    """Read the next entries; whether there may be more."""
    row = Reading.objects.select_for_update(of=("self",)).select_related("event").get(pk=reading.pk)
    found = Entry.objects.filter(event=row.event.slug, number__gt=row.number).order_by("number")
    entries = list(found[:ENTRIES])
    _fill_hooks(row.event, entries)
    noticing.fill_mailboxes(row, entries)
    if entries:
        row.number = entries[-1].number
    row.save(update_fields=["number", "deadline_told"])
    return len(entries) == ENTRIES


def _fill_hooks(event: Event, entries: list[Entry]) -> None:
    readers: dict[int | None, Reader] = {}
    hooks = []
    for hook in event.hooks.filter(off="").select_related("owner", "event").order_by("pk"):
        eyes = queries.eyes_of(hook)
        if eyes is not None:
            hooks.append(hook)
            if hook.department_id not in readers:
                readers[hook.department_id] = Reader(eyes)
    new = []
    for entry in entries:
        told = {scope: reader.told(entry) for scope, reader in readers.items()}
        for hook in hooks:
            if entry.number > hook.reads_from:
                for occurrence in told.get(hook.department_id, []):
                    if occurrence.topic in hook.topics:
                        new.append(message(hook, entry.at, occurrence))
    Delivery.objects.bulk_create(new, batch_size=200)


def message(hook: Hook, at: datetime, occurrence: Occurrence) -> Delivery:
    """A message as the specification has its payload: type, timestamp of what happened, data."""
    now = timezone.now()
    content = {"type": str(occurrence.topic), "timestamp": at.isoformat(), "data": occurrence.data}
    return Delivery(
        hook=hook, key=signing.new_key(), topic=occurrence.topic, subject=occurrence.subject, words=occurrence.words,
        body=json.dumps(content, ensure_ascii=False, separators=(",", ":")), made_at=now, since=now, next_at=now,
    )  # fmt: skip
