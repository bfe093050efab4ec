"""A new event from an old one: the same place, parties and devices on other days, and where their carriers were as a wish.

Everything goes through the actions of its own app, in one transaction; what was decided, agreed or published stays behind.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction

from apps.common.choice import Choice
from apps.common.errors import Fault, require
from apps.events import actions as events
from apps.events.actors import Actor
from apps.events.models import Department, Event, Person, Zone
from apps.events.rules import refusal_to_coordinate
from apps.journal import actions as journal
from apps.planning.models import Assignment
from apps.registry import actions as registry
from apps.registry.judging import Status
from apps.registry.lines import COLUMNS, row_of
from apps.registry.models import Carrier, Registration
from apps.registry.states import RegistrationState
from apps.spectrum import actions as spectrum

# What belongs to a row of one event alone.
OWN = ("id", "event", "version", "carriers_numbered")


@dataclass(frozen=True)
class Renewed:
    """The new event's coordinator, how much came along, and why lines stayed behind (their row is the old line's label)."""

    actor: Actor
    lines: int
    wishes: int
    left_behind: list[tuple[str, Fault]]


@transaction.atomic
def renew(
    *,
    actor: Actor,
    person: Person,
    slug: str,
    name: str,
    starts_on: date,
    people: bool = True,
    surroundings: bool = True,
    lines: bool = True,
    plan: bool = True,
) -> Renewed:
    """Make an event like the actor's, beginning on another day. `person` is the actor; they coordinate the new one.

    Hours and the deadline move by as many days at the same local time. Lines are judged anew under the new event;
    one that is faulty by now stays behind with its reasons. With `plan` each carrier would rather be where it was.
    Raises Faulty for an address that is taken, Forbidden for whoever does not coordinate the old event.
    """
    require(refusal_to_coordinate(actor))
    old = actor.event
    days = starts_on - old.starts_on
    new = events.create_event(
        person=person, slug=slug, name=name, timezone_name=old.timezone, starts_on=starts_on, ends_on=old.ends_on + days,
        ruleset=old.ruleset, site=old.site, latitude_deg=old.latitude_deg, longitude_deg=old.longitude_deg,
        registration_closes_at=_moved(old.registration_closes_at, days, ZoneInfo(old.timezone)),
        contact_on_site=old.contact_on_site,
    )  # fmt: skip
    settings = {name: getattr(old, name) for name in ("accepts_automatically", "surroundings", "fade_db")}
    if any(getattr(new.event, name) != value for name, value in settings.items()):
        events.change_event(actor=new, event=new.event, **settings)
    for zone in old.zones.order_by("code"):
        events.add_zone(actor=new, **_fields(zone))
    for department in old.departments.order_by("code"):
        events.add_department(actor=new, **_fields(department))
    registry.take_over_kinds(actor=new, event=old)
    registry.take_over_antennas(actor=new, event=old)
    if people:
        _bring_people(new, old)
    if surroundings:
        _bring_surroundings(new, old)
    brought, left_behind = _bring_lines(new, old, days) if lines else (0, [])
    wishes = _bring_wishes(new, old) if lines and plan else 0
    journal.record(
        actor=new, event=slug, verb="made the event from an older one", subject=old.name,
        changes={slug: {"days later": [None, days.days], "lines": [None, brought], "wishes": [None, wishes]}},
    )  # fmt: skip
    return Renewed(new, brought, wishes, left_behind)


def _fields(row: Zone | Department) -> dict[str, Any]:
    names = (field.name for field in row._meta.concrete_fields)
    return {name: getattr(row, name) for name in names if name not in OWN}


def _moved(at: datetime | None, days: timedelta, zone: ZoneInfo) -> datetime | None:
    """The same local time that many days later, whatever the clocks did in between."""
    return at and (at.astimezone(zone).replace(tzinfo=None) + days).replace(tzinfo=zone)


def _bring_people(new: Actor, old: Event) -> None:
    departments = {department.code: department for department in new.event.departments.all()}
    for member in old.memberships.select_related("person", "department").order_by("pk"):
        if member.person.email != new.email or member.department:
            department = departments[member.department.code] if member.department else None
            events.add_member(actor=new, person=member.person, role=member.role, department=department)


def _bring_surroundings(new: Actor, old: Event) -> None:
    """What others used here then may have changed: each says whence it comes, and outsiders are suspected only."""
    zones = {zone.code: zone for zone in new.event.zones.all()}

    def source(text: str) -> str:
        return f"{text}; as of {old.name}, look again".lstrip("; ")[:200]

    for said in old.television_channels.order_by("pk"):
        spectrum.mark_channels(
            actor=new,
            choice=Choice({f"{said.raster}/{said.name}": 0}),
            state="occupied" if said.occupied else "free",
            source=source(said.source),
            known_on=said.known_on,
        )
    for taken in old.occupied.filter(channel=None).order_by("pk"):
        spectrum.mark_occupied(
            actor=new,
            label=taken.label,
            low_hz=taken.low_hz,
            high_hz=taken.high_hz,
            zones=taken.zones,
            source=source(taken.source),
        )
    for known in old.known_losses.select_related("one", "other").order_by("pk"):
        pair = zones[known.one.code], zones[known.other.code]
        spectrum.set_known_loss(actor=new, zones=pair, loss_db=known.loss_db, note=known.note)
    for row in old.outsiders.select_related("zone").order_by("code"):
        spectrum.add_outsider(
            actor=new, label=row.label, zone=zones[row.zone.code], frequency_hz=row.frequency_hz, level_db=row.level_db,
            bandwidth_hz=row.bandwidth_hz, source=source(row.source), sure=False,
        )  # fmt: skip


def _bring_lines(new: Actor, old: Event, days: timedelta) -> tuple[int, list[tuple[str, Fault]]]:
    found = (
        Registration.objects.filter(event=old)
        .exclude(state=RegistrationState.WITHDRAWN)
        .select_related("department", "zone", "kind")
        .order_by("department__code", "label", "pk")
    )
    rows = [_line(registration, days, ZoneInfo(old.timezone)) for registration in found]
    judgements = registry.register(actor=new, rows=rows, all_or_nothing=False)
    left_behind = [
        (f"{rows[judged.row - 1]['department']}: {judged.label}", fault)
        for judged in judgements
        for fault in judged.faults
    ]
    return sum(judged.status == Status.NEW for judged in judgements), left_behind


def _line(registration: Registration, days: timedelta, zone: ZoneInfo) -> dict[str, Any]:
    """A line as the columns have it, its hours as local times of the other days."""
    row = row_of(registration, zone)
    hours = ["/".join(_local(at, days, zone) for at in pair) for pair in registration.hours]
    start, end = hours[0].split("/") if len(hours) == 1 else (None, None)
    moved = {"start": start, "end": end, "stretches": hours if len(hours) > 1 else []}
    return {name: (row | moved)[name] for name in COLUMNS}


def _local(at: datetime, days: timedelta, zone: ZoneInfo) -> str:
    return (at.astimezone(zone).replace(tzinfo=None) + days).isoformat()


def _bring_wishes(new: Actor, old: Event) -> int:
    """Where the carriers of the old plan were, dealt to the new ones of the same line and role in their order."""
    was: dict[tuple[Any, ...], list[int | None]] = defaultdict(list)
    frequencies = dict(Assignment.objects.filter(event=old).values_list("carrier", "frequency_hz"))
    for carrier in _carriers(old):
        was[_place(carrier)].append(frequencies.get(carrier.pk))
    wishes: dict[int, int] = {}
    for carrier in _carriers(new.event):
        queue = was[_place(carrier)]
        if queue and (hertz := queue.pop(0)):
            wishes[carrier.pk] = hertz
    registry.wish_frequencies(actor=new, wishes=wishes)
    return len(wishes)


def _carriers(event: Event) -> Iterable[Carrier]:
    found = Carrier.objects.filter(event=event, withdrawn=False).select_related(
        "role", "registration__department"
    )
    return found.order_by("position", "code")


def _place(carrier: Carrier) -> tuple[Any, ...]:
    registration = carrier.registration
    spare = carrier.spare_of_id is not None
    return registration.department.code, registration.label, carrier.role.code, spare
