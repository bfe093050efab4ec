"""Who may do what to events, as pure predicates: each gives the reason why not, or nothing."""

from datetime import datetime

from apps.events.actors import Actor
from apps.events.models import Invitation, Role


def refusal_to_write(actor: Actor) -> str:
    if not actor.writes:
        if actor.role == Role.OBSERVER:
            return "Observers read only. Ask a coordinator for another role."
        return "This token only reads. Use one that may write."
    return ""


def refusal_to_coordinate(actor: Actor) -> str:
    if not actor.coordinates:
        return "Only a coordinator of the event may do this."
    return refusal_to_write(actor)


def refusal_to_act_for(actor: Actor, department_id: int) -> str:
    """Registering and editing for a department: its leads and coordinators."""
    if actor.coordinates or (actor.departments is not None and department_id in actor.departments):
        return refusal_to_write(actor)
    return "Only a lead of this department or a coordinator may do this."


def refusal_to_accept(invitation: Invitation, at: datetime) -> str:
    if invitation.accepted_at is not None:
        return "This invitation was used already. Log in instead."
    if invitation.withdrawn_at is not None:
        return "This invitation was withdrawn. Ask the coordinator who sent it for a new one."
    if invitation.expires_at <= at:
        return "This invitation has expired. Ask the coordinator who sent it for a new one."
    return ""
