"""Shared reads of editions and of the post. A lead reads their own departments' lines; observers none of confidential ones."""

from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.db.models import Exists, F, OuterRef, Q, QuerySet, Subquery
from django.utils import timezone

from apps.common.errors import Missing
from apps.events import queries as events
from apps.events.actors import Actor, onlooker_of, reader_of
from apps.events.models import Event, Person
from apps.journal.models import Chain
from apps.publishing.models import Delivery, Edition, EditionLine, Hook, Mailbox, Notice, Reading
from apps.publishing.sheets import EditionHeader, SheetLine
from apps.publishing.states import PostState


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
    return line_of(line.content)


def line_of(kept: dict[str, Any]) -> SheetLine:
    """A line from its frozen values."""
    content: dict[str, Any] = dict(kept)
    for name in ("starts_at", "ends_at"):
        content[name] = datetime.fromisoformat(content[name]) if content[name] else None
    # Editions from before there were stretches have none.
    content["stretches"] = tuple(
        (datetime.fromisoformat(start), datetime.fromisoformat(end))
        for start, end in content.get("stretches", ())
    )
    content["settings"] = tuple((name, text) for name, text in content["settings"])
    for name in ("spares", "beware", "accepted", "at_one_end", "further", "at_risk_from"):
        content[name] = tuple(content.get(name, ()))
    return SheetLine(**content)


def edition_before(edition: Edition, department: str) -> Edition | None:
    """The edition that a department's readers held until this one: of their own part or of the whole event."""
    found = Edition.objects.filter(event=edition.event_id, number__lt=edition.number)
    return found.filter(department__in=["", department]).order_by("-number").first()


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


# -- the post -------------------------------------------------------------------------------


def hooks_of(actor: Actor) -> QuerySet[Hook]:
    """Webhooks that the actor keeps: a coordinator all of the event, a lead those of departments that they lead."""
    found = actor.event.hooks.select_related("department", "owner").order_by("label", "pk")
    if actor.coordinates:
        return found
    return found.filter(department__in=actor.departments or ())


def deliveries_of(hook: Hook) -> QuerySet[Delivery]:
    """A webhook's deliveries, newest first. Whoever may see the hook may see them: they hold no more than it is told."""
    return hook.deliveries.order_by("-pk")


def eyes_of(hook: Hook) -> Actor | None:
    """Through whose eyes a webhook is told: of a department its leads', of the event an observer's. Nothing of a confidential
    department leaves by a webhook that is not its own. None once the owner may not keep the webhook any more.
    """
    try:
        actor = events.actor_in(hook.owner, hook.event.slug)
    except Missing:
        return None
    if not hook.owner.is_active:
        return None
    if hook.department_id is None:
        return onlooker_of(hook.event) if actor.coordinates else None
    if actor.coordinates or hook.department_id in (actor.departments or ()):
        return reader_of(hook.event, hook.department_id)
    return None


def next_delivery(hook: Hook) -> Delivery | None:
    """The oldest that is due and before which nothing of the same subject still waits."""
    now = timezone.now()
    waiting = Delivery.objects.filter(hook=hook, state=PostState.WAITING)
    earlier = waiting.filter(subject=OuterRef("subject"), pk__lt=OuterRef("pk"))
    return waiting.filter(next_at__lte=now).exclude(Exists(earlier)).order_by("pk").first()


def hooks_with_work() -> QuerySet[Hook]:
    """Webhooks of which something is due."""
    due = Delivery.objects.filter(hook=OuterRef("pk"), state=PostState.WAITING, next_at__lte=timezone.now())
    return Hook.objects.filter(Exists(due), off="").order_by("pk")


def unread() -> QuerySet[Reading]:
    """Events whose journal has gone on since the post last read it, or whose deadline has come near."""
    now = timezone.now()
    near = now + timedelta(hours=settings.NOTICE_DEADLINE_H)
    deadline = Q(event__registration_closes_at__gt=now, event__registration_closes_at__lte=near)
    told = Q(deadline_told=F("event__registration_closes_at"))
    last = Chain.objects.filter(event=OuterRef("event__slug")).values("number")
    return (
        Reading.objects.annotate(last=Subquery(last))
        .filter(Q(last__gt=F("number")) | (deadline & (Q(deadline_told=None) | ~told)))
        .order_by("pk")
    )


def mailboxes_due() -> QuerySet[Mailbox]:
    return Mailbox.objects.filter(due_at__lte=timezone.now()).order_by("pk")


def mailbox_of(actor: Actor) -> Mailbox:
    """The actor's own wishes for post, as a row that may not be saved yet."""
    found = Mailbox.objects.filter(event=actor.event, person__email=actor.email).select_related(
        "person", "event"
    )
    return found.first() or Mailbox(event=actor.event, person=Person.objects.get(email=actor.email))


def waiting_in(mailbox: Mailbox) -> list[Notice]:
    return list(mailbox.notices.filter(state=PostState.WAITING).order_by("pk"))
