"""Who may do what to the plan, as pure predicates."""

from datetime import datetime
from zoneinfo import ZoneInfo

from apps.events.actors import Actor
from apps.events.rules import refusal_to_coordinate, refusal_to_write
from apps.planning.models import Assignment
from apps.planning.states import AssignmentState


def refusal_to_inquire(actor: Actor) -> str:
    """Asking what would place those left out: whoever sees every department and may do more than read."""
    if not actor.sees_all:
        return (
            "The answer holds every department's frequencies, so only coordinators and the site desk may ask."
        )
    return refusal_to_write(actor)


def refusal_to_accept(rule: str) -> str:
    """Why no signature may stand under a breach of this rule: what is tunable and permitted is not ours to decide."""
    if rule == "raster":
        return (
            "It cannot be tuned there, is not permitted there or the band plan keeps it away; no signature changes that. "
            "Choose another frequency, or have the kind, the permission or the band plan put right."
        )
    return ""


def _local(actor: Actor, moment: datetime | None) -> str:
    """A moment on the event's clock, which its pages and papers go by."""
    zone = ZoneInfo(actor.event.timezone)
    return f"{moment.astimezone(zone):%a %d %b %Y at %H:%M}" if moment else "some day"


def refusal_to_change(actor: Actor, assignment: Assignment | None) -> str:
    """Why this actor may not move this assignment: their role, or its lock, with who locked it and when."""
    refusal = refusal_to_coordinate(actor)
    if not refusal and assignment and assignment.state == AssignmentState.LOCKED:
        return (
            f"Locked by {assignment.locked_by} on {_local(actor, assignment.locked_at)}"
            f"{': ' + assignment.reason if assignment.reason else ''}. Unlock it first, with a reason."
        )
    return refusal
