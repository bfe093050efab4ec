"""Shared reads of the registry. Each begins with what the actor may see."""

import difflib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from django.db.models import Count, Exists, OuterRef, Q, QuerySet

from apps.common.errors import Missing
from apps.events import queries as events
from apps.events.actors import Actor
from apps.events.models import Department, Zone
from apps.events.rules import refusal_to_write
from apps.registry import tuning
from apps.registry.models import (
    Antennas,
    Batch,
    BatchLine,
    Carrier,
    Change,
    Draft,
    Feed,
    Kind,
    KindRole,
    Registration,
    Upload,
)
from apps.registry.states import LATE, NOT_PERMITTED, RegistrationState


def kinds_of(actor: Actor) -> QuerySet[Kind]:
    return actor.event.kinds.prefetch_related("roles").order_by("code")


def kinds_in_words(actor: Actor, text: str) -> list[Kind]:
    """The kinds that somebody means by plain words, by name; every word must be found. All of them for no words.

    A word that no kind has («wireless», where all are) tells nothing apart and is passed over. Names, search words and notes
    are looked through from the beginnings of words; where that finds nothing, a word that is spelt nearly so counts too.
    """
    kinds = sorted(actor.event.kinds.all(), key=lambda kind: kind.name.casefold())
    asked = _words(text)
    said = {kind.pk: _words(f"{kind.name} {kind.words} {kind.code} {kind.use} {kind.note}") for kind in kinds}

    def found(meant: Callable[[str, set[str]], bool]) -> list[Kind]:
        told = {word for word in asked if any(meant(word, known) for known in said.values())}
        if asked and not told:
            return []
        return [kind for kind in kinds if all(meant(word, said[kind.pk]) for word in told)]

    return found(lambda word, known: any(other.startswith(word) for other in known)) or found(
        lambda word, known: bool(difflib.get_close_matches(word, known, 1, 0.75))
    )


def _words(text: str) -> set[str]:
    return set(re.findall(r"\w+", text.casefold().replace("_", " ")))


def registrations_of(actor: Actor) -> QuerySet[Registration]:
    found = Registration.objects.filter(events.in_scope(actor)).filter(event=actor.event)
    return found.select_related("department", "zone", "kind").order_by("department__code", "label", "pk")


def antennas_at(zone: Zone) -> Antennas:
    """The antenna system of a zone; where nothing was said of it one that changes nothing, unsaved, at version 0."""
    return Antennas.objects.filter(zone=zone).select_related("zone").first() or Antennas(zone=zone, version=0)


# What will be on the air as far as anybody knows: asked for, and not refused by the ruleset.
ON_THE_AIR = Q(not_permitted="", state__in=[RegistrationState.SUBMITTED, RegistrationState.ACCEPTED])
BY_CODE = ("department", "zone", "kind")


def registrations_matching(actor: Actor, filters: Mapping[str, str]) -> QuerySet[Registration]:
    """What the filters of a page leave: department, zone and kind by code, state, `text` in names and notes, and with
    `sheet` those of which something is still to be filled in for it.

    Withdrawn lines show only when they are asked for.
    """
    found = registrations_of(actor)
    for name in BY_CODE:
        if filters.get(name):
            found = found.filter(**{f"{name}__code": filters[name]})
    match filters.get("state", ""):
        case "":
            found = found.exclude(state=RegistrationState.WITHDRAWN)
        case state if state == LATE:
            found = found.filter(late=True).exclude(state=RegistrationState.WITHDRAWN)
        case state if state == NOT_PERMITTED:
            found = found.exclude(not_permitted="").filter(
                state__in=[RegistrationState.SUBMITTED, RegistrationState.ACCEPTED]
            )
        case state:
            found = found.filter(state=state)
            if state in (RegistrationState.SUBMITTED, RegistrationState.ACCEPTED):
                found = found.filter(not_permitted="")
    for word in filters.get("text", "").split():
        found = found.filter(
            Q(label__icontains=word)
            | Q(external_id__icontains=word)
            | Q(contact__icontains=word)
            | Q(notes__icontains=word)
            | Q(kind__name__icontains=word)
            | Q(kind__words__icontains=word)
        )
    return with_open_settings(found) if filters.get("sheet") else found


def with_open_settings(found: QuerySet[Registration]) -> QuerySet[Registration]:
    """Those lines whose sheets would leave room for settings that nobody has filled in. One query to find them."""
    return found.filter(pk__in=[line.pk for line in found.filter(kind__assigned=True) if line.open_settings])


def uploads_of(actor: Actor, sort: str = Upload.Sort.LIST) -> QuerySet[Upload]:
    """The lists (or calendars) that the actor sent; coordinators see everybody's. Newest first, without their bytes."""
    found = Upload.objects.filter(event=actor.event, sort=sort).select_related("department").order_by("-pk")
    return found if actor.coordinates else found.filter(uploaded_by=actor.email)


def lines_with_hours(actor: Actor, department: Department | None = None) -> QuerySet[Registration]:
    """The lines whose hours a calendar of the actor's may set: what is not withdrawn, of one department or of all."""
    found = registrations_of(actor).exclude(state=RegistrationState.WITHDRAWN)
    return found if department is None else found.filter(department=department)


def feeds_of(actor: Actor) -> QuerySet[Feed]:
    """The calendars out that the actor may hand on or revoke: a lead's own departments', a coordinator's all."""
    found = Feed.objects.filter(event=actor.event, revoked_at=None).select_related("department", "zone")
    return found.order_by("pk") if actor.coordinates else found.filter(department__in=actor.departments or ())


def feed_lines(key: str) -> tuple[Feed, QuerySet[Registration]]:
    """What stands behind the secret address of a calendar: lines that are asked for and permitted. Raises Missing.

    Nobody is logged in here, so nothing of a confidential department is told, whoever made the calendar.
    """
    feed = Feed.objects.filter(key=key, revoked_at=None).select_related("event", "department", "zone").first()
    if feed is None or (feed.department and feed.department.confidential):
        raise Missing()
    found = Registration.objects.filter(ON_THE_AIR, event=feed.event, department__confidential=False)
    if feed.department:
        found = found.filter(department=feed.department)
    if feed.zone:
        found = found.filter(zone=feed.zone)
    return feed, found.select_related("department", "zone", "kind").order_by("department__code", "label")


def batches_of(actor: Actor) -> QuerySet[Batch]:
    """Batches all of whose lines the actor may see, newest first, with how many lines and how many of them are undone."""
    found = Batch.objects.filter(event=actor.event)
    if not actor.sees_all:
        mine = events.departments_of(actor).values("pk")
        found = found.exclude(
            Exists(BatchLine.objects.filter(batch=OuterRef("pk")).exclude(registration__department__in=mine))
        )
    return found.annotate(size=Count("lines"), undone=Count("lines__undone_at")).order_by("-number")


def draft_of(actor: Actor, line: int, many: bool = False) -> Draft | None:
    """What the actor has typed into the form of a line (0: a new one; many: several new ones) without saving it."""
    return Draft.objects.filter(event=actor.event, person=actor.email, line=line, many=many).first()


@dataclass(frozen=True)
class Unfinished:
    """What somebody typed and did not save: of a line that is there, or of `lines` new ones; `label` as it was typed."""

    draft: Draft
    registration: Registration | None
    lines: int
    label: str


def unfinished_of(actor: Actor) -> list[Unfinished]:
    """The actor's own drafts, those of lines that are gone left out. Two queries."""
    if refusal_to_write(actor):
        return []
    drafts = list(Draft.objects.filter(event=actor.event, person=actor.email))
    known = registrations_of(actor).in_bulk([draft.line for draft in drafts if draft.line]) if drafts else {}
    found = []
    for draft in drafts:
        rows = draft.typed.get("rows", []) if draft.many else [draft.typed]
        labels = [label for row in rows if (label := str(row.get("label") or "").strip())]
        if draft.line in known or (not draft.line and rows):
            line = known.get(draft.line)
            label = line.label if line else labels[0] if labels else ""
            found.append(Unfinished(draft, line, len(rows), label))
    return found


def carriers_of(actor: Actor) -> QuerySet[Carrier]:
    found = Carrier.objects.filter(events.in_scope(actor, "registration__department"), withdrawn=False)
    return found.select_related(
        "role", "spare_of", "registration__department", "registration__zone", "registration__kind"
    ).order_by("code")


def asked_tuning(registration: Registration, role: KindRole) -> list[tuning.Range]:
    """What a registration asks for in one role: its fixed frequency, or the kind's raster within its range.

    A line's range and frequency speak of the kind's first role; roles at an offset follow by that offset.
    """
    offset = role.offset_hz or 0
    if role.position > 1 and role.offset_hz is None:
        return list(role.tuning)
    if registration.fixed_hz and registration.can_change == Change.NO:
        at = registration.fixed_hz + offset
        return [tuning.Range(low_hz=at, high_hz=at, step_hz=1)]
    low, high = registration.low_hz, registration.high_hz
    return tuning.narrowed(role.tuning, low and low + offset, high and high + offset)


def has_label(actor: Actor, row: Mapping[str, Any]) -> bool:
    """Whether a line of that label stands in that department already, as far as the actor may write there."""
    label, department = str(row.get("label") or "").strip(), str(row.get("department") or "")
    there = registrations_of(actor).exclude(state=RegistrationState.WITHDRAWN).filter(label=label)
    if department:
        there = there.filter(department__code=department)
    return bool(label) and there.exists()
