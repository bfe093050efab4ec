"""Who may do what to events, as pure predicates: each gives the reason why not, or nothing."""

from datetime import datetime

from apps.common.errors import Fault
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


def faults_in_distances(
    own_distance_m: float, nearest_m: float | None, farthest_m: float | None
) -> list[Fault]:
    """What is wrong with how near and how far a zone's own devices come, in metres; None stands for a share of the usual."""
    faults = []
    if nearest_m is not None and not 0 < nearest_m <= own_distance_m:
        reason = f"The nearest must be more than 0 and no farther than usual, {own_distance_m:g} m."
        faults.append(Fault(0, "nearest_m", f"{nearest_m:g}", reason))
    if farthest_m is not None and farthest_m < own_distance_m:
        reason = f"The farthest must be no nearer than usual, {own_distance_m:g} m."
        faults.append(Fault(0, "farthest_m", f"{farthest_m:g}", reason))
    return faults
