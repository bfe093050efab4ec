"""All writes of events: each a verb, the actor first, one transaction, one journal entry."""

import hashlib
import secrets
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import available_timezones

from django.conf import settings
from django.db import transaction
from django.db.models import F, ProtectedError
from django.utils import timezone

from apps.common.errors import Conflict, Fault, Faulty, Forbidden, Missing, Stale, require
from apps.events import queries, rules
from apps.events.actors import Actor, founder
from apps.events.maps import Placed, fingerprint, read_map
from apps.events.models import Department, Event, Invitation, Membership, Person, Role, Token, Zone
from apps.journal import actions as journal


def touch(event: Event) -> int:
    """Raise the event's revision; in the transaction of every action that the solver would notice."""
    Event.objects.filter(pk=event.pk).update(revision=F("revision") + 1)
    return Event.objects.values_list("revision", flat=True).get(pk=event.pk)


def save_if_unchanged(row: Any, version: int | None, what: str, **values: Any) -> dict[str, list[Any]]:
    """Write `values` to an editable row, only if it is still at `version` (None: at the version that was read).

    Returns {field: [old, new]} of what really changed. Raises Stale when somebody else was faster.
    """
    expected = row.version if version is None else version
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
    row.version = expected + 1
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
    contact_on_site: str = "",
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
        contact_on_site=contact_on_site,
    )  # fmt: skip
    Membership.objects.create(event=event, person=person, role=Role.COORDINATOR)
    actor = founder(event, person.name, person.email)
    journal.record(actor=actor, event=slug, verb="created the event", subject=name)
    return actor


@transaction.atomic
def change_event(*, actor: Actor, event: Event, version: int | None = None, **fields: Any) -> Event:
    """Change the event's own fields. Its ruleset stays once something was registered under it."""
    require(rules.refusal_to_coordinate(actor))
    faults = []
    name = fields.get("timezone", event.timezone)
    if name not in available_timezones():
        faults.append(Fault(0, "timezone", name, "Not a time zone; use a name such as Europe/Vienna."))
    starts_on, ends_on = fields.get("starts_on", event.starts_on), fields.get("ends_on", event.ends_on)
    if starts_on > ends_on:
        faults.append(Fault(0, "ends_on", str(ends_on), "The event ends before it starts."))
    law = fields.get("ruleset", event.ruleset)
    if law != event.ruleset and event.registrations.exists():
        faults.append(
            Fault(
                0,
                "ruleset",
                law,
                "Devices were registered and judged by the present ruleset; it can no longer change.",
            )
        )
    if faults:
        raise Faulty(faults)
    changes = save_if_unchanged(event, version, "The event", **fields)
    touch(event)
    journal.record(
        actor=actor,
        event=event.slug,
        verb="changed the event",
        subject=event.name,
        changes={event.slug: changes},
    )
    return event


@transaction.atomic
def add_zone(*, actor: Actor, code: str, name: str, **fields: Any) -> Zone:
    require(rules.refusal_to_coordinate(actor))
    if actor.event.zones.filter(code=code).exists():
        raise Faulty([Fault(0, "code", code, "There is a zone of that code already.")])
    _refuse_distances(Zone(**fields))
    zone = Zone.objects.create(event=actor.event, code=code, name=name, **fields)
    touch(actor.event)
    changes = {code: {"name": [None, name], **{key: [None, value] for key, value in fields.items()}}}
    journal.record(actor=actor, event=actor.event.slug, verb="added the zone", subject=code, changes=changes)
    return zone


def _refuse_distances(zone: Zone, **fields: Any) -> None:
    names = ("own_distance_m", "nearest_m", "farthest_m")
    faults = rules.faults_in_distances(*(fields.get(name, getattr(zone, name)) for name in names))
    if faults:
        raise Faulty(faults)


@transaction.atomic
def place_zones(*, actor: Actor, content: bytes | str, seen: str | None = None) -> list[Placed]:
    """Add and change zones as a map (GeoJSON) has them; zones that it does not hold stay as they are.

    `seen` is the fingerprint of the verdicts that a page showed. Raises Faulty with every fault of every feature, Conflict
    when the map would do something else by now or the event has no origin.
    """
    require(rules.refusal_to_coordinate(actor))
    # One at a time, so that what was judged is what is written.
    Event.objects.select_for_update().get(pk=actor.event.pk)
    read = read_map(content, actor.event, queries.zones_of(actor))
    faults = [fault for placed in read for fault in placed.faults]
    if faults:
        raise Faulty(faults)
    if seen is not None and fingerprint(read) != seen:
        raise Conflict(
            "The zones changed since this map was judged, so it would now do something else. Look at it again."
        )
    written = [placed for placed in read if placed.changes]
    for placed in written:
        if placed.zone is None:
            Zone.objects.create(event=actor.event, code=placed.code, **placed.values)
        else:
            save_if_unchanged(placed.zone, None, f"Zone {placed.code}", **placed.values)
    if written:
        touch(actor.event)
        journal.record(
            actor=actor, event=actor.event.slug, verb="placed zones from a map", subject=f"{len(written)} zones",
            changes={placed.code: placed.changes for placed in written},
        )  # fmt: skip
    return read


@transaction.atomic
def change_zone(*, actor: Actor, zone: Zone, version: int | None = None, **fields: Any) -> Zone:
    require(rules.refusal_to_coordinate(actor))
    _refuse_distances(zone, **fields)
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
def remove_zone(*, actor: Actor, zone: Zone, version: int | None = None) -> None:
    """Take a zone away that nothing stands in."""
    require(rules.refusal_to_coordinate(actor))
    changes = {zone.code: {"name": [zone.name, None]}}
    delete_unused(zone, version, f"Zone {zone.code}")
    touch(actor.event)
    journal.record(
        actor=actor, event=actor.event.slug, verb="removed the zone", subject=zone.code, changes=changes
    )


@transaction.atomic
def remove_department(*, actor: Actor, department: Department, version: int | None = None) -> None:
    """Take a department away that never registered anything; its leads go with it."""
    require(rules.refusal_to_coordinate(actor))
    code, changes = department.code, {department.code: {"name": [department.name, None]}}
    delete_unused(department, version, f"Department {code}")
    journal.record(
        actor=actor,
        event=actor.event.slug,
        verb="removed the department",
        subject=code,
        department=code,
        changes=changes,
    )


def delete_unused(row: Any, version: int | None, what: str) -> None:
    """Take an editable row away that nothing points to, only if it is still at `version` (None: whatever it is at).

    Raises Stale, Conflict with what uses it, Missing when somebody else took it away.
    """
    rows = type(row)._default_manager.select_for_update()
    current = rows.filter(pk=row.pk).values_list("version", flat=True).first()
    if current is None:
        raise Missing()
    if version is not None and version != current:
        raise Stale(what, current)
    try:
        row.delete()
    except ProtectedError as refusal:
        users = sorted({str(other._meta.verbose_name_plural) for other in refusal.protected_objects})
        raise Conflict(f"{what} is in use by {' and '.join(users)}; it stays.") from refusal


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
    _fit_department(role, department)
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


def _fit_department(role: str, department: Department | None) -> None:
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


def _refuse_losing_the_last(membership: Membership) -> None:
    others = Membership.objects.filter(event=membership.event, role=Role.COORDINATOR).exclude(
        pk=membership.pk
    )
    if membership.role == Role.COORDINATOR and not others.exists():
        raise Conflict("This is the event's last coordinator; make somebody else one first.")


@transaction.atomic
def change_member(
    *,
    actor: Actor,
    membership: Membership,
    role: str,
    department: Department | None = None,
    version: int | None = None,
) -> Membership:
    """Give somebody another role. An event always keeps a coordinator."""
    require(rules.refusal_to_coordinate(actor))
    _fit_department(role, department)
    if role != Role.COORDINATOR:
        _refuse_losing_the_last(membership)
    same = Membership.objects.filter(event=actor.event, person=membership.person, department=department)
    if same.exclude(pk=membership.pk).exists():
        raise Conflict(
            f"{membership.person} has a role of that sort in this event already; change or end that one."
        )
    changes = save_if_unchanged(
        membership, version, f"The role of {membership.person}", role=role, department=department
    )
    plain = {name: [getattr(value, "code", value) for value in values] for name, values in changes.items()}
    journal.record(
        actor=actor, event=actor.event.slug, verb="changed the role", subject=membership.person.email,
        department=department.code if department else "", changes={membership.person.email: plain},
    )  # fmt: skip
    return membership


@transaction.atomic
def end_member(*, actor: Actor, membership: Membership, reason: str = "") -> None:
    """Take somebody's role away; with their last one go their tokens of this event."""
    require(rules.refusal_to_coordinate(actor))
    _refuse_losing_the_last(membership)
    person, department = membership.person, membership.department
    membership.delete()
    if not Membership.objects.filter(event=actor.event, person=person).exists():
        Token.objects.filter(event=actor.event, user=person).delete()
    journal.record(
        actor=actor, event=actor.event.slug, verb="ended the role", subject=person.email, reason=reason,
        department=department.code if department else "", changes={person.email: {"role": [membership.role, None]}},
    )  # fmt: skip


# -- invitations ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Invited:
    """An invitation with the secret key of its link, shown once and never again."""

    invitation: Invitation
    key: str


def key_digest(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()


@transaction.atomic
def invite(
    *, actor: Actor, email: str, role: str, department: Department | None = None, name: str = ""
) -> Invited:
    """A link that makes whoever holds that address a member. An older open one for the same role is withdrawn."""
    require(rules.refusal_to_coordinate(actor))
    _fit_department(role, department)
    email = email.strip().lower()
    member = Membership.objects.filter(event=actor.event, person__email=email)
    if member.filter(department=department).exists():
        raise Faulty([Fault(0, "email", email, "This person has a role of that sort in this event already.")])
    now = timezone.now()
    Invitation.objects.filter(
        event=actor.event, email=email, role=role, department=department, accepted_at=None, withdrawn_at=None
    ).update(withdrawn_at=now)
    key = secrets.token_urlsafe(32)
    invitation = Invitation.objects.create(
        event=actor.event, email=email, name=name.strip(), role=role, department=department, invited_by=actor.name,
        key_digest=key_digest(key), expires_at=now + timedelta(days=settings.INVITATION_DAYS),
    )  # fmt: skip
    journal.record(
        actor=actor, event=actor.event.slug, verb="invited", subject=email,
        department=department.code if department else "", changes={email: {"role": [None, role]}},
    )  # fmt: skip
    return Invited(invitation, key)


@transaction.atomic
def withdraw_invitation(*, actor: Actor, invitation: Invitation) -> None:
    require(rules.refusal_to_coordinate(actor))
    done = Invitation.objects.filter(pk=invitation.pk, accepted_at=None, withdrawn_at=None).update(
        withdrawn_at=timezone.now()
    )
    if not done:
        raise Conflict("This invitation was accepted or withdrawn already.")
    journal.record(
        actor=actor, event=actor.event.slug, verb="withdrew the invitation", subject=invitation.email,
        department=invitation.department.code if invitation.department else "",
    )  # fmt: skip


@transaction.atomic
def accept_invitation(*, invitation: Invitation, person: Person) -> Membership:
    """Spend an invitation: the person to whose address it went becomes what it says."""
    if person.email != invitation.email:
        raise Forbidden(f"This invitation went to {invitation.email}; log in with that address.")
    require(rules.refusal_to_accept(invitation, timezone.now()))
    spent = Invitation.objects.filter(pk=invitation.pk, accepted_at=None, withdrawn_at=None).update(
        accepted_at=timezone.now()
    )
    if not spent:
        raise Conflict("This invitation was used at this very moment.")
    membership, new = Membership.objects.get_or_create(
        event=invitation.event,
        person=person,
        department=invitation.department,
        defaults={"role": invitation.role},
    )
    if not new and membership.role != invitation.role:
        raise Conflict(
            f"You are {membership.get_role_display()} in this event already; ask a coordinator to change that."
        )
    department = invitation.department
    led = frozenset([department.pk]) if department else None
    actor = Actor(invitation.event, person.name, person.email, invitation.role, led, True)
    journal.record(
        actor=actor, event=invitation.event.slug, verb="accepted the invitation", subject=person.email,
        department=department.code if department else "", changes={person.email: {"role": [None, invitation.role]}},
    )  # fmt: skip
    return membership


@transaction.atomic
def accept_as_newcomer(*, invitation: Invitation, name: str, password: str) -> Person:
    """Spend an invitation as somebody who has no log-in yet: it makes one."""
    require(rules.refusal_to_accept(invitation, timezone.now()))
    person = Person.objects.filter(email=invitation.email).first()
    if person is None:
        person = Person.objects.create_user(invitation.email, password, name=name)
    elif queries.has_log_in(person):
        raise Conflict("There is a log-in for this address already; use it.")
    else:
        person.name = name
        person.set_password(password)
        person.save(update_fields=["name", "password"])
    accept_invitation(invitation=invitation, person=person)
    return person


# -- tokens ---------------------------------------------------------------------------------


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


@transaction.atomic
def revoke_token(*, actor: Actor, token: Token) -> None:
    """End a machine's key at once; one's own, or as a coordinator anybody's of the event."""
    if token.user.email != actor.email:
        require(rules.refusal_to_coordinate(actor))
    department = token.department.code if token.department else ""
    shown, owner = token.token_key, token.user.email
    token.delete()
    journal.record(
        actor=actor,
        event=actor.event.slug,
        verb="revoked a token",
        subject=f"{owner} {shown}",
        department=department,
    )


def note_use(token: Token, at_least_every_s: int = 60) -> None:
    """Remember when a token was last used; at most once a minute, so that reading stays reading."""
    now = timezone.now()
    if token.last_used_at is None or (now - token.last_used_at).total_seconds() > at_least_every_s:
        Token.objects.filter(pk=token.pk).update(last_used_at=now)
        token.last_used_at = now
