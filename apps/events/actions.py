"""All writes of events: each a verb, the actor first, one transaction, one journal entry."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import available_timezones

from django.conf import settings
from django.db import transaction
from django.db.models import F, Model
from django.utils import timezone

from apps.common.errors import Conflict, Fault, Faulty, Missing, Stale, require
from apps.events import rules
from apps.events.actors import Actor, founder
from apps.events.models import Department, Event, Membership, Person, Role, Token, Zone
from apps.journal import actions as journal


def touch(event: Event) -> int:
    """Raise the event's revision; in the transaction of every action that the solver would notice."""
    Event.objects.filter(pk=event.pk).update(revision=F("revision") + 1)
    return Event.objects.values_list("revision", flat=True).get(pk=event.pk)


def save_if_unchanged(row: Model, version: int | None, what: str, **values: Any) -> dict[str, list[Any]]:
    """Write `values` to an editable row, only if it is still at `version` (None: at the version that was read).

    Returns {field: [old, new]} of what really changed. Raises Stale when somebody else was faster.
    """
    expected = row.version if version is None else version  # type: ignore[attr-defined]
    changes = {
        name: [getattr(row, name), value] for name, value in values.items() if getattr(row, name) != value
    }
    done = (
        type(row)._default_manager.filter(pk=row.pk, version=expected).update(**values, version=expected + 1)
    )
    if not done:
        current = type(row)._default_manager.values_list("version", flat=True).get(pk=row.pk)
        raise Stale(what, current)
    for name, value in values.items():
        setattr(row, name, value)
    row.version = expected + 1  # type: ignore[attr-defined]
    return changes


@transaction.atomic
def create_person(*, email: str, name: str, password: str | None = None) -> Person:
    """A person who can log in (with a password) or can be invited to choose one (without)."""
    person = Person.objects.filter(email=email.strip().lower()).first()
    return person or Person.objects.create_user(email, password, name=name)


@transaction.atomic
def create_event(
    *,
    person: Person,
    slug: str,
    name: str,
    timezone_name: str,
    starts_on: date,
    ends_on: date,
    ruleset: str,
    site: str = "",
    latitude_deg: float | None = None,
    longitude_deg: float | None = None,
    registration_closes_at: datetime | None = None,
) -> Actor:
    """Make an event; whoever makes it coordinates it. Returns them as its actor."""
    faults = []
    if timezone_name not in available_timezones():
        faults.append(
            Fault(0, "timezone", timezone_name, "Not a time zone; use a name such as Europe/Vienna.")
        )
    if starts_on > ends_on:
        faults.append(Fault(0, "ends_on", str(ends_on), "The event ends before it starts."))
    if Event.objects.filter(slug=slug).exists():
        faults.append(Fault(0, "slug", slug, "This address is taken; choose another."))
    if faults:
        raise Faulty(faults)
    event = Event.objects.create(
        slug=slug, name=name, timezone=timezone_name, starts_on=starts_on, ends_on=ends_on, ruleset=ruleset, site=site,
        latitude_deg=latitude_deg, longitude_deg=longitude_deg, registration_closes_at=registration_closes_at,
    )  # fmt: skip
    Membership.objects.create(event=event, person=person, role=Role.COORDINATOR)
    actor = founder(event, person.name, person.email)
    journal.record(actor=actor, event=slug, verb="created the event", subject=name)
    return actor


@transaction.atomic
def add_zone(*, actor: Actor, code: str, name: str, **fields: Any) -> Zone:
    require(rules.refusal_to_coordinate(actor))
    if actor.event.zones.filter(code=code).exists():
        raise Faulty([Fault(0, "code", code, "There is a zone of that code already.")])
    zone = Zone.objects.create(event=actor.event, code=code, name=name, **fields)
    touch(actor.event)
    changes = {code: {"name": [None, name], **{key: [None, value] for key, value in fields.items()}}}
    journal.record(actor=actor, event=actor.event.slug, verb="added the zone", subject=code, changes=changes)
    return zone


@transaction.atomic
def change_zone(*, actor: Actor, zone: Zone, version: int | None = None, **fields: Any) -> Zone:
    require(rules.refusal_to_coordinate(actor))
    changes = save_if_unchanged(zone, version, f"Zone {zone.code}", **fields)
    touch(actor.event)
    journal.record(
        actor=actor,
        event=actor.event.slug,
        verb="changed the zone",
        subject=zone.code,
        changes={zone.code: changes},
    )
    return zone


@transaction.atomic
def add_department(
    *,
    actor: Actor,
    code: str,
    name: str,
    confidential: bool = False,
    open_to_others: bool = False,
    shares_time: bool = False,
) -> Department:
    require(rules.refusal_to_coordinate(actor))
    if actor.event.departments.filter(code=code).exists():
        raise Faulty([Fault(0, "code", code, "There is a department of that code already.")])
    department = Department.objects.create(
        event=actor.event,
        code=code,
        name=name,
        confidential=confidential,
        open_to_others=open_to_others,
        shares_time=shares_time,
    )
    journal.record(
        actor=actor, event=actor.event.slug, verb="added the department", subject=code, department=code
    )
    return department


@transaction.atomic
def change_department(
    *, actor: Actor, department: Department, version: int | None = None, **fields: Any
) -> Department:
    require(rules.refusal_to_coordinate(actor))
    changes = save_if_unchanged(department, version, f"Department {department.code}", **fields)
    touch(actor.event)
    journal.record(
        actor=actor, event=actor.event.slug, verb="changed the department", subject=department.code,
        department=department.code, changes={department.code: changes},
    )  # fmt: skip
    return department


@transaction.atomic
def add_member(
    *, actor: Actor, person: Person, role: str, department: Department | None = None
) -> Membership:
    require(rules.refusal_to_coordinate(actor))
    if (role == Role.LEAD) != (department is not None):
        raise Faulty(
            [
                Fault(
                    0,
                    "department",
                    str(department or ""),
                    "A lead leads a department; other roles have none.",
                )
            ]
        )
    membership, new = Membership.objects.get_or_create(
        event=actor.event, person=person, department=department, defaults={"role": role}
    )
    if not new and membership.role != role:
        raise Conflict(f"{person.name} is {membership.role} already; change or end that first.")
    journal.record(
        actor=actor, event=actor.event.slug, verb="added the person", subject=person.email,
        department=department.code if department else "", changes={person.email: {"role": [None, role]}},
    )  # fmt: skip
    return membership


@dataclass(frozen=True)
class IssuedToken:
    """A token's secret text, shown once and never again."""

    token: Token
    secret: str


@transaction.atomic
def issue_token(
    *,
    actor: Actor,
    person: Person,
    department: Department | None = None,
    writes: bool = False,
    label: str = "",
    expires_in: timedelta | None = None,
) -> IssuedToken:
    """A key for one of the person's machines. A person may have keys of their own; a coordinator may give them to members."""
    if person.email != actor.email:
        require(rules.refusal_to_coordinate(actor))
    if not Membership.objects.filter(event=actor.event, person=person).exists():
        raise Missing(f"{person.email} is not in this event.")
    token, secret = Token.objects.create(
        user=person,
        expiry=expires_in or settings.REST_KNOX["TOKEN_TTL"],
        event=actor.event,
        department=department,
        writes=writes,
        label=label,
    )
    journal.record(
        actor=actor, event=actor.event.slug, verb="issued a token", subject=f"{person.email} {token.token_key}",
        department=department.code if department else "", changes={token.token_key: {"writes": [None, writes]}},
    )  # fmt: skip
    return IssuedToken(token, secret)


def note_use(token: Token, at_least_every_s: int = 60) -> None:
    """Remember when a token was last used; at most once a minute, so that reading stays reading."""
    now = timezone.now()
    if token.last_used_at is None or (now - token.last_used_at).total_seconds() > at_least_every_s:
        Token.objects.filter(pk=token.pk).update(last_used_at=now)
