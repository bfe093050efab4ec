"""Shared reads of events. Each begins with what the actor may see."""

from django.db.models import Q, QuerySet

from apps.common.errors import Missing
from apps.events.actors import Actor
from apps.events.models import Department, Event, Invitation, Membership, Person, Role, Token, Zone

_STRENGTH = [Role.COORDINATOR, Role.DESK, Role.OBSERVER, Role.LEAD]


def events_of(person: Person, token: Token | None = None) -> QuerySet[Event]:
    """The events in which the person is something; a token sees its own event only."""
    found = Event.objects.filter(memberships__person=person).distinct()
    return found.filter(pk=token.event_id) if token else found


def memberships_of(person: Person) -> QuerySet[Membership]:
    """Everything that a person is anywhere, latest events first."""
    found = Membership.objects.filter(person=person).select_related("event", "department")
    return found.order_by("-event__starts_on", "event__slug", "role", "department__code")


def refusal_to_create_events(person: Person) -> str:
    """New events are made by whoever runs the service, or coordinates an event of it already."""
    if person.is_staff or Membership.objects.filter(person=person, role=Role.COORDINATOR).exists():
        return ""
    return "Only who coordinates an event already, or runs this service, may create one."


def actor_in(person: Person, slug: str, token: Token | None = None) -> Actor:
    """The person as an actor in the event of that slug; Missing, whether or not there is such an event."""
    rows = list(Membership.objects.select_related("event").filter(person=person, event__slug=slug))
    if not rows or (token and token.event_id != rows[0].event_id):
        raise Missing()
    role = next(role for role in _STRENGTH if any(row.role == role for row in rows))
    led = frozenset(row.department_id for row in rows if row.department_id is not None)
    departments = led if role == Role.LEAD else None
    writes = role != Role.OBSERVER
    if token:
        writes = writes and token.writes
        if token.department_id is not None:
            # A token for one department acts as a lead of it would, whoever issued it.
            if departments is not None and token.department_id not in departments:
                raise Missing()
            role, departments = Role.LEAD, frozenset([token.department_id])
    return Actor(rows[0].event, person.name, person.email, role, departments, writes)


def in_scope(actor: Actor, path: str = "department") -> Q:
    """The one filter of department scope: rows whose `path` leads to a department that the actor may see."""
    prefix = f"{path}__" if path else ""
    scope = Q(**{f"{prefix}event": actor.event})
    if actor.sees_all:
        return scope
    if actor.departments is None:
        return scope & Q(**{f"{prefix}confidential": False})
    return scope & Q(**{f"{prefix}pk__in": actor.departments})


def departments_named_to(actor: Actor) -> QuerySet[Department]:
    """Departments whose name the actor may see: its own, and those that opened themselves."""
    found = actor.event.departments.all()
    if actor.sees_all:
        return found
    if actor.departments is None:
        return found.filter(confidential=False)
    return found.filter(Q(pk__in=actor.departments) | Q(open_to_others=True))


def departments_of(actor: Actor) -> QuerySet[Department]:
    """Departments whose rows the actor may see."""
    return Department.objects.filter(in_scope(actor, "")).order_by("code")


def zones_of(actor: Actor) -> QuerySet[Zone]:
    return actor.event.zones.order_by("code")


def members_of(actor: Actor) -> QuerySet[Membership]:
    """Everybody in the event, for coordinators; oneself for others."""
    found = actor.event.memberships.select_related("person", "department").order_by("person__name", "pk")
    return found if actor.coordinates else found.filter(person__email=actor.email)


def coordinators_of(actor: Actor) -> list[tuple[str, str]]:
    """Whom to ask in this event: (name, address) of its coordinators."""
    found = actor.event.memberships.filter(role=Role.COORDINATOR).order_by("person__name")
    return list(found.values_list("person__name", "person__email"))


def has_log_in(person: Person) -> bool:
    """Whether a link alone must not open this account: it has a password, or reaches something already."""
    return person.has_usable_password() or person.is_staff or person.memberships.exists()


def open_invitations_of(actor: Actor) -> QuerySet[Invitation]:
    """Invitations that nobody has used or withdrawn yet, the expired among them; for coordinators."""
    found = actor.event.invitations.filter(accepted_at=None, withdrawn_at=None).select_related("department")
    return found.order_by("-created_at", "pk") if actor.coordinates else found.none()


def tokens_of(actor: Actor) -> QuerySet[Token]:
    """The actor's own tokens of this event; a coordinator sees everybody's."""
    found = (
        Token.objects.filter(event=actor.event)
        .select_related("user", "department")
        .order_by("-created", "pk")
    )
    return found if actor.coordinates else found.filter(user__email=actor.email)
