"""Shared reads of the registry. Each begins with what the actor may see."""

from django.db.models import QuerySet

from apps.events import queries as events
from apps.events.actors import Actor
from apps.registry import tuning
from apps.registry.models import Carrier, Change, Kind, KindRole, Registration


def kinds_of(actor: Actor) -> QuerySet[Kind]:
    return actor.event.kinds.prefetch_related("roles").order_by("code")


def registrations_of(actor: Actor) -> QuerySet[Registration]:
    found = Registration.objects.filter(events.in_scope(actor)).filter(event=actor.event)
    return found.select_related("department", "zone", "kind").order_by("department__code", "label", "pk")


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
