"""Who may keep webhooks, and when a letter is due, as pure predicates."""

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from django.conf import settings

from apps.events.actors import Actor
from apps.events.models import Department, Event, Role
from apps.events.rules import refusal_to_act_for, refusal_to_coordinate, refusal_to_write
from apps.publishing.models import Mailbox


def refusal_to_see_hooks(actor: Actor) -> str:
    if actor.role in (Role.COORDINATOR, Role.LEAD):
        return ""
    return "Webhooks are set up by coordinators, and by leads for their departments."


def refusal_to_keep_hook(actor: Actor, department: Department | None) -> str:
    """Setting up, changing, silencing and removing: for the whole event coordinators, for a department its leads too."""
    if department is None:
        return refusal_to_coordinate(actor)
    return refusal_to_act_for(actor, department.pk) or refusal_to_write(actor)


def letter_due_at(event: Event, pace: str, now: datetime) -> datetime:
    """When what came in now has gathered: in some minutes, or in the morning by the event's clock."""
    if pace != Mailbox.Pace.DAILY:
        return now + timedelta(seconds=settings.NOTICE_GATHER_S)
    local = now.astimezone(ZoneInfo(event.timezone))
    morning = local.replace(hour=settings.NOTICE_DAILY_HOUR, minute=0, second=0, microsecond=0)
    return morning if morning > local else morning + timedelta(days=1)
