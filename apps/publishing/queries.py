"""Shared reads of editions. A lead reads their own departments' lines; observers none of confidential ones."""

from datetime import datetime
from typing import Any

from django.db.models import Q, QuerySet

from apps.events import queries as events
from apps.events.actors import Actor
from apps.events.models import Event
from apps.publishing.models import Edition, EditionLine
from apps.publishing.sheets import EditionHeader, SheetLine


def editions_of(actor: Actor) -> QuerySet[Edition]:
    """Editions that hold something for the actor, newest first."""
    found = Edition.objects.filter(event=actor.event).select_related("replaces").order_by("-number")
    if actor.sees_all:
        return found
    return found.filter(Q(department="") | Q(department__in=_codes(actor)))


def accepted_in(actor: Actor, edition: Edition) -> list[dict[str, str]]:
    """The breaches that stay in an edition. They name carriers of several departments, so not everybody reads them."""
    return list(edition.accepted) if actor.sees_all else []


def lines_of(actor: Actor, edition: Edition) -> QuerySet[EditionLine]:
    found = edition.lines.order_by("position")
    return found if actor.sees_all else found.filter(department__in=_codes(actor))


def _codes(actor: Actor) -> list[str]:
    return list(events.departments_of(actor).values_list("code", flat=True))


def header_of(edition: Edition) -> EditionHeader:
    content: dict[str, Any] = dict(edition.header)
    content["published_at"] = datetime.fromisoformat(content["published_at"])
    content["cautions"] = tuple(content["cautions"])
    return EditionHeader(**content)


def sheet_line(line: EditionLine) -> SheetLine:
    content: dict[str, Any] = dict(line.content)
    for name in ("starts_at", "ends_at"):
        content[name] = datetime.fromisoformat(content[name]) if content[name] else None
    # Editions from before there were stretches have none.
    content["stretches"] = tuple(
        (datetime.fromisoformat(start), datetime.fromisoformat(end))
        for start, end in content.get("stretches", ())
    )
    content["settings"] = tuple((name, text) for name, text in content["settings"])
    content["spares"], content["beware"] = tuple(content["spares"]), tuple(content["beware"])
    return SheetLine(**content)


def standing_editions(event: Event) -> dict[str, Edition]:
    """The edition that counts for each department's readers: its own newest part, or the newest of the whole event.

    By department code; the entry of "" is the newest whole edition, which counts for departments that are not named.
    """
    standing: dict[str, Edition] = {}
    for edition in event.editions.order_by("number"):
        if not edition.department:
            standing = {}
        standing[edition.department] = edition
    return standing


def standing_lines(actor: Actor) -> QuerySet[EditionLine]:
    """The lines that count now, each from the edition that counts for its department; outsiders have none."""
    standing = standing_editions(actor.event)
    scope = Q(pk__in=[])
    if whole := standing.get(""):
        scope |= Q(edition=whole) & ~Q(department__in=[code for code in standing if code] + [""])
    for code, edition in standing.items():
        if code:
            scope |= Q(edition=edition, department=code)
    found = EditionLine.objects.filter(scope).select_related("edition").order_by("department", "position")
    return found if actor.sees_all else found.filter(department__in=_codes(actor))


def standing_edition_of(event: Event, department: str) -> Edition | None:
    standing = standing_editions(event)
    return standing.get(department) or standing.get("")
