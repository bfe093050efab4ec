"""Shared reads of the registry. Each begins with what the actor may see."""

import difflib
import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
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

Coordinators = Sequence[tuple[str, str]]  # (name, address) of each, as events.queries tells them


def planned_next(actor: Actor, coordinators: Coordinators) -> str:
    """What comes next for lines that are accepted: who does it, and that nobody waits for whoever registered them."""
    if actor.coordinates:
        return "The frequencies come with the next plan."
    return f"{_who(coordinators, 'plan')} the frequencies next. Nothing need be done now; a letter comes with the sheet."


def looked_at_next(coordinators: Coordinators) -> str:
    """The same for lines that wait for a decision."""
    return f"{_who(coordinators, 'look')} at it next."


def _who(coordinators: Coordinators, verb: str) -> str:
    names = [name or address for name, address in coordinators]
    if len(names) < 2:
        return f"{names[0]}, the coordinator, {verb}s" if names else f"A coordinator {verb}s"
    return f"The coordinators, {', '.join(names[:-1])} and {names[-1]}, {verb}"


def kinds_of(actor: Actor) -> QuerySet[Kind]:
    return actor.event.kinds.prefetch_related("roles").order_by("code")


def kinds_in_words(actor: Actor, text: str) -> list[Kind]:
    """The kinds that somebody means by plain words: those that say most of them, best first. All of them, by name, for no words.

    Names, search words and notes are looked through from the beginnings of words; a word that none begins with counts where it
    is spelt nearly so, and is passed over where it is not. Of equals, those come first that say the last word («microphone» of
    «wireless microphone»), and then those that say it in their names.
    """
    kinds = sorted(actor.event.kinds.all(), key=lambda kind: kind.name.casefold())
    asked = re.findall(r"\w+", text.casefold())
    if not asked:
        return kinds
    said = {kind.pk: _words(f"{kind.name} {kind.words} {kind.code} {kind.use} {kind.note}") for kind in kinds}

    def begins(word: str, known: set[str]) -> bool:
        return any(other.startswith(word) for other in known)

    def nearly(word: str, known: set[str]) -> bool:
        return bool(difflib.get_close_matches(word, known, 1, 0.75))

    told: dict[int, list[int]] = defaultdict(list)
    for place, word in enumerate(dict.fromkeys(asked)):
        for meant in (begins, nearly):
            if found := [kind.pk for kind in kinds if meant(word, said[kind.pk])]:
                for key in found:
                    told[key].append(place)
                break
    most = max(map(len, told.values()), default=0)

    def rank(kind: Kind) -> tuple[int, int]:
        named = _words(kind.name)
        return -max(told[kind.pk]), -sum(begins(word, named) for word in asked)

    return sorted((kind for kind in kinds if len(told.get(kind.pk, ())) == most > 0), key=rank)


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


def has_label(actor: Actor, row: Mapping[str, Any], since: datetime | None = None) -> bool:
    """Whether a line of that label stands in that department, as far as the actor may write there; `since`: came after that."""
    label, department = str(row.get("label") or "").strip(), str(row.get("department") or "")
    there = registrations_of(actor).exclude(state=RegistrationState.WITHDRAWN).filter(label=label)
    if department:
        there = there.filter(department__code=department)
    if since:
        there = there.filter(created_at__gt=since)
    return bool(label) and there.exists()
