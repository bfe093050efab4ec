"""Adding to the journal, from inside the transaction of the action that it records."""

import hashlib
import json
from typing import Any, Protocol

from django.core.serializers.json import DjangoJSONEncoder
from django.db import connection
from django.utils import timezone

from apps.journal.models import Chain, Entry


class Author(Protocol):
    """What the journal needs to know of an actor."""

    @property
    def email(self) -> str: ...
    @property
    def name(self) -> str: ...


def record(
    *,
    actor: Author,
    event: str,
    verb: str,
    subject: str,
    department: str = "",
    changes: dict[str, Any] | None = None,
    reason: str = "",
) -> Entry:
    """Append one entry to the event's chain. Must run inside a transaction, so that act and entry stand or fall together.

    `changes` is {subject: {field: [old, new]}}; values are stored as JSON.
    """
    if not connection.in_atomic_block:
        raise RuntimeError("A journal entry belongs into the transaction of the act that it records.")
    Chain.objects.get_or_create(event=event)
    chain = Chain.objects.select_for_update().get(event=event)
    entry = Entry(
        event=event,
        number=chain.number + 1,
        at=timezone.now(),
        actor_email=actor.email,
        actor_name=actor.name,
        department=department,
        verb=verb,
        subject=subject,
        changes=json.loads(json.dumps(changes or {}, cls=DjangoJSONEncoder)),
        reason=reason,
    )
    entry.digest = digest_of(entry, chain.digest)
    entry.save(force_insert=True)
    Chain.objects.filter(pk=chain.pk).update(number=entry.number, digest=entry.digest)
    return entry


def digest_of(entry: Entry, before: str) -> str:
    """SHA-256 over the entry's values and the digest of the entry before it."""
    values = [
        before, entry.event, entry.number, entry.at.isoformat(), entry.actor_email, entry.actor_name,
        entry.department, entry.verb, entry.subject, entry.changes, entry.reason,
    ]  # fmt: skip
    return hashlib.sha256(json.dumps(values, sort_keys=True, ensure_ascii=False).encode()).hexdigest()
