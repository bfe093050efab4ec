"""Reading the journal."""

from django.db.models import QuerySet

from apps.journal.actions import digest_of
from apps.journal.models import Entry


def entries(event: str, departments: frozenset[str] | None = None) -> QuerySet[Entry]:
    """The event's entries, newest first; `departments` limits them to those of some departments."""
    found = Entry.objects.filter(event=event).order_by("-number")
    return found if departments is None else found.filter(department__in=departments)


def first_broken_link(event: str) -> int | None:
    """The number of the first entry whose digest does not follow from the ones before it; None if all do."""
    before, expected = "", 1
    for entry in Entry.objects.filter(event=event).order_by("number").iterator():
        if entry.number != expected or entry.digest != digest_of(entry, before):
            return expected
        before, expected = entry.digest, expected + 1
    return None
