"""Reads that cross apps. Each begins with what the actor may see."""

from django.db.models import QuerySet

from apps.events import queries as events
from apps.events.actors import Actor
from apps.journal import queries as journal
from apps.journal.models import Entry


def journal_of(actor: Actor) -> QuerySet[Entry]:
    """The event's journal; whoever sees only some departments sees the entries of those."""
    if actor.sees_all:
        return journal.entries(actor.event.slug)
    codes = frozenset(events.departments_of(actor).values_list("code", flat=True))
    return journal.entries(actor.event.slug, codes)
