"""What a line may ask for, who may change it, and what the ruleset says to it: predicates and judgements, no writes."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from apps.events.actors import Actor
from apps.events.models import Department, Event
from apps.events.rules import refusal_to_act_for, refusal_to_coordinate, refusal_to_write
from apps.registry import tuning
from apps.registry.models import Change, Kind, KindRole, Registration
from apps.registry.states import RegistrationState, may_move
from apps.spectrum.rulesets import Ruleset, permitted_stretches, refusing_words


class Complains(Protocol):
    def fault(self, name: str, message: str, value: Any = None) -> None: ...


def judge_line(reading: Complains, values: dict[str, Any]) -> None:
    """What one line says must fit its own kind: ranges inside the tuning, a frequency on its raster, a power it has.

    Adds faults to `reading`; completes `can_change` where only a frequency was given.
    """
    low, high, fixed = values.get("low_hz"), values.get("high_hz"), values.get("fixed_hz")
    if low and high and low > high:
        reading.fault("high_hz", f"The range ends below its start, {low} Hz.")
        return
    if fixed and values.get("quantity", 1) > 1:
        reading.fault(
            "quantity",
            "A line with a frequency of its own holds one carrier; give each frequency its own line.",
        )
    if fixed and ((low and fixed < low) or (high and fixed > high)):
        reading.fault("fixed_hz", "The frequency lies outside the range that the same line asks for.")
    if "can_change" in values and values["can_change"] is None:
        values["can_change"] = Change.NO if fixed else Change.FREELY
    elif fixed and "can_change" not in values:
        values["can_change"] = Change.NO
    kind: Kind | None = values.get("kind")
    if kind is None:
        return
    if kind.assigned:
        _judge_tuning(reading, kind, low, high, fixed)
    _judge_power(reading, kind, values.get("power_mw"))


def _judge_tuning(
    reading: Complains, kind: Kind, low: int | None, high: int | None, fixed: int | None
) -> None:
    first = next(iter(kind.roles.all()), None)
    if first is None:
        return
    can = tuning.in_megahertz(first.tuning)
    if fixed and not tuning.holds(first.tuning, fixed):
        reading.fault(
            "fixed_hz", f"{kind.name} cannot be set to this frequency; it tunes {can} in steps of its raster."
        )
    elif (low or high) and not tuning.narrowed(first.tuning, low, high):
        reading.fault(
            "low_hz" if low else "high_hz", f"{kind.name} tunes nothing in this range; it tunes {can}."
        )


def _judge_power(reading: Complains, kind: Kind, power_mw: float | None) -> None:
    if power_mw is not None and kind.power_mw and power_mw > max(kind.power_mw):
        steps = ", ".join(f"{step:g}" for step in kind.power_mw)
        reading.fault("power_mw", f"More than {kind.name} has; its steps are {steps} mW.")


def refusal_to_register(actor: Actor) -> str:
    """Whether the actor may register for anybody at all."""
    if actor.coordinates or actor.departments:
        return refusal_to_write(actor)
    return "Only leads and coordinators register devices. Ask a coordinator if something is missing."


def refusal_to_change(actor: Actor, registration: Registration) -> str:
    return refusal_to_act_for(actor, registration.department_id)


def refusal_to_send_back(actor: Actor, registration: Registration) -> str:
    refusal = refusal_to_coordinate(actor)
    if not refusal and not may_move(registration.state, RegistrationState.SENT_BACK):
        return f"A registration that is {registration.state} cannot be sent back."
    return refusal


def refusal_to_offer(actor: Actor, department: Department | None) -> str:
    """A calendar of a department's hours without log-in: its leads and coordinators; of all departments, coordinators."""
    if department is None:
        return refusal_to_coordinate(actor)
    refusal = refusal_to_act_for(actor, department.pk)
    if not refusal and department.confidential:
        return f"{department.name} is confidential, and a calendar program cannot log in; its hours stay on its sheet."
    return refusal


def refusal_to_withdraw(registration: Registration, locked: int) -> str:
    """`locked` of its carriers are promised to stay."""
    if not may_move(registration.state, RegistrationState.WITHDRAWN):
        return f"It is {registration.state}."
    if locked:
        return f"{locked} of its frequencies are locked; a coordinator must unlock them first."
    return ""


def refusal_to_accept(registration: Registration) -> str:
    if registration.not_permitted:
        return f"Not permitted here: {registration.not_permitted} A permission must lift this first."
    if not may_move(registration.state, RegistrationState.ACCEPTED):
        return f"It is {registration.state}; its lead must submit it first."
    return ""


def comes_late(actor: Actor, old: Registration, at: datetime) -> bool:
    """Whether a line written now counts as late.

    What a coordinator writes and what a lead amends after it was sent back stays as it came.
    """
    if actor.coordinates or old.state == RegistrationState.SENT_BACK:
        return old.late
    return closed(actor.event, at)


def state_once_written(
    actor: Actor, new: Registration, old_state: RegistrationState | str, at: datetime
) -> RegistrationState:
    """Acceptance is automatic inside ruleset and deadline, unless the event says otherwise."""
    if new.not_permitted:
        return RegistrationState.SUBMITTED
    if actor.coordinates and old_state == RegistrationState.ACCEPTED:
        return RegistrationState.ACCEPTED
    after_the_deadline = closed(actor.event, at) and not actor.coordinates
    waits = new.late or after_the_deadline or not actor.event.accepts_automatically
    return RegistrationState.SUBMITTED if waits else RegistrationState.ACCEPTED


def closed(event: Event, at: datetime) -> bool:
    """Whether registration had closed by then. Late ones are taken, marked as late, and wait for a coordinator."""
    return event.registration_closes_at is not None and at > event.registration_closes_at


@dataclass(frozen=True)
class Permission:
    """What the ruleset leaves of a role's tuning, at which power; `refusal` in its own words where that is nothing."""

    tuning: list[tuning.Range]
    power_mw: float | None
    refusal: str


def permission(
    rules: Ruleset, kind: Kind, role: KindRole, asked: list[tuning.Range], power_mw: float | None
) -> Permission:
    """Narrow what is asked for to what the ruleset permits, at the strongest step that any of it allows.

    `power_mw` is the line's own wish, or None for the strongest permitted step of the kind. Radiated power is
    conducted power with the antenna's gain over isotropic.
    """
    gain = 10 ** (role.radio.get("antenna_gain_dbi", 0) / 10)
    steps = [power_mw] if power_mw is not None else sorted(kind.power_mw, reverse=True) or [None]
    for step in steps:
        left = [
            part
            for whole in asked
            for stretch in permitted_stretches(
                rules,
                kind.use,
                whole["low_hz"],
                whole["high_hz"],
                role.bandwidth_hz,
                step * gain if step else None,
            )
            for part in tuning.narrowed([whole], stretch.low_hz, stretch.high_hz)
        ]
        if left:
            return Permission(left, step, "")
    low = min((part["low_hz"] for part in asked), default=0)
    high = max((part["high_hz"] for part in asked), default=0)
    return Permission([], None, refusing_words(rules, kind.use, low, high))
