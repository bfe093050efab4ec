"""Reads that cross apps. Each begins with what the actor may see."""

from django.db.models import Q, QuerySet

from apps.events import queries as events
from apps.events.actors import Actor
from apps.journal import queries as journal
from apps.journal.models import Entry
from apps.publishing.occurrences import PUBLISHED


def journal_of(actor: Actor) -> QuerySet[Entry]:
    """The event's journal; whoever sees only some departments sees the entries of those, and that the event was published."""
    if actor.sees_all:
        return journal.entries(actor.event.slug)
    codes = frozenset(events.departments_of(actor).values_list("code", flat=True))
    everybody = Q(department="", verb=PUBLISHED)
    return journal.entries(actor.event.slug).filter(Q(department__in=codes) | everybody)
