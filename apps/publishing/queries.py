"""Shared reads of editions. A lead reads their own departments' lines; observers none of confidential ones."""

from datetime import datetime
from typing import Any

from django.db.models import Q, QuerySet

from apps.events import queries as events
from apps.events.actors import Actor
from apps.publishing.models import Edition, EditionLine
from apps.publishing.sheets import EditionHeader, SheetLine


def editions_of(actor: Actor) -> QuerySet[Edition]:
    """Editions that hold something for the actor, newest first."""
    found = Edition.objects.filter(event=actor.event).select_related("replaces").order_by("-number")
    if actor.sees_all:
        return found
    return found.filter(Q(department="") | Q(department__in=_codes(actor)))


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
    content["settings"] = tuple((name, text) for name, text in content["settings"])
    content["spares"], content["beware"] = tuple(content["spares"]), tuple(content["beware"])
    return SheetLine(**content)
