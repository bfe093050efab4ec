"""What a line may ask for, who may change it, and what the ruleset says to it: predicates and judgements, no writes."""

from collections.abc import Iterable, Mapping
from copy import copy
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Protocol

from django.utils import timezone

from apps.common.errors import Fault
from apps.events.actors import Actor
from apps.events.models import Department, Event
from apps.events.rules import refusal_to_act_for, refusal_to_coordinate, refusal_to_write
from apps.radio.chains import SendingChain, SendingSystem
from apps.radio.selectivity import EMISSION_MASKS, FILTER_SHAPES, Mask, Modulation, mask_of
from apps.radio.units import dbm, milliwatts
from apps.registry import tuning
from apps.registry.models import Antennas, Change, Kind, KindRole, Registration
from apps.registry.queries import asked_tuning
from apps.registry.states import RegistrationState, may_move
from apps.spectrum.models import Occupied, Permission, PlannedRange
from apps.spectrum.queries import granted_in
from apps.spectrum.rules import Placed, Wanted, concerns, days_of, shortcomings, taken_from
from apps.spectrum.rulesets import Ruleset, outside_never_use, permitted_stretches, refusing_words, ruleset

MAX_SETTING = 100  # characters in the name of a setting


class Complains(Protocol):
    def fault(self, name: str, message: str, value: Any = None) -> None: ...


def judge_line(reading: Complains, values: dict[str, Any]) -> None:
    """What one line says must fit its own kind: ranges inside the tuning, a frequency on its raster, a power it has.

    Adds faults to `reading`; completes `can_change` where only a frequency was given.
    """
    low, high, fixed = values.get("low_hz"), values.get("high_hz"), values.get("fixed_hz")
    if low and high and low > high:
        reading.fault("high_hz", f"The range ends below its start, {low / 1e6:.10g} MHz.")
        low = high = None
    if fixed and values.get("quantity", 1) > 1:
        reading.fault(
            "quantity",
            "A line that uses a frequency now asks for that one alone; give each frequency a line of its own, or leave "
            "«Uses now» empty if we may choose.",
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
        near = " and ".join(f"{hz / 1e6:.10g} MHz" for hz in tuning.nearest(first.tuning, fixed) if hz)
        steps = tuning.steps_in_words(first.tuning)
        reading.fault(
            "fixed_hz",
            f"{kind.name} cannot be set to this frequency; it tunes {can}{f' in steps of {steps}' if steps else ''}, nearest "
            f"{near}. Leave «Uses now» empty if we may choose.",
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
    return "Only leads and coordinators register lines. Ask a coordinator if something is missing."


def refusal_to_change(actor: Actor, registration: Registration) -> str:
    return refusal_to_act_for(actor, registration.department_id)


def refusal_to_send_back(actor: Actor, registration: Registration) -> str:
    refusal = refusal_to_coordinate(actor)
    if not refusal and not may_move(registration.state, RegistrationState.SENT_BACK):
        return f"A line that is {registration.state} cannot be sent back."
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
    actor: Actor, new: Registration, old_state: RegistrationState | str, at: datetime, kept_out: str = ""
) -> RegistrationState:
    """Acceptance is automatic inside ruleset, band plan (`kept_out`: why not) and deadline, unless the event says otherwise."""
    if new.not_permitted:
        return RegistrationState.SUBMITTED
    if actor.coordinates and old_state == RegistrationState.ACCEPTED:
        return RegistrationState.ACCEPTED
    after_the_deadline = closed(actor.event, at) and not actor.coordinates
    waits = new.late or kept_out or after_the_deadline or not actor.event.accepts_automatically
    return RegistrationState.SUBMITTED if waits else RegistrationState.ACCEPTED


def closed(event: Event, at: datetime) -> bool:
    """Whether registration had closed by then. Late ones are taken, marked as late, and wait for a coordinator."""
    return event.registration_closes_at is not None and at > event.registration_closes_at


@dataclass(frozen=True)
class Allowed:
    """What is permitted of a role's tuning, at which power; `refusal` in the rule's own words where that is nothing.

    `under`: the permissions that lifted the ruleset's refusal; none where the ruleset itself permits.
    """

    tuning: list[tuning.Range]
    power_mw: float | None
    refusal: str
    under: tuple[Permission, ...] = ()


class Granted:
    """Permissions held against lines, where these stand: those granted in an event, or others to see what they would reach.

    `antennas`: {zone's key: what its fixed transmitters share}, for zones that have such a thing.
    """

    def __init__(self, event: Event) -> None:
        self.permissions = granted_in(event)
        self.days = days_of(event)
        self.law = ruleset(event.ruleset)
        self.antennas = antennas_of(event)

    def only(self, permissions: list[Permission]) -> "Granted":
        """As if these and no others had been granted."""
        other = copy(self)
        other.permissions = permissions
        return other

    def sent(self, line: Registration, role: KindRole, power_mw: float | None) -> SendingChain | None:
        """What a line's transmitters in one role radiate at a conducted power, the antenna system of their zone included."""
        return sending(role, power_mw, self.antennas.get(line.zone_id))

    def wanted(self, line: Registration, role: KindRole, power_mw: float | None) -> Wanted:
        """What a line's transmitters in one role need, at a conducted power."""
        sent = self.sent(line, role, power_mw)
        return Wanted(
            use=line.kind.use,
            department_id=line.department_id,
            zone=line.zone.code,
            bandwidth_hz=role.bandwidth_hz,
            eirp_mw=None if sent is None else float(milliwatts(sent.eirp_dbm)),
            antenna_height_m=line.zone.antenna_height_m if role.sent_by == "base" else None,
            starts_at=line.starts_at or self.days[0],
            ends_at=line.ends_at or self.days[1],
        )

    def tuning(
        self,
        law: Ruleset,
        line: Registration,
        role: KindRole,
        asked: list[tuning.Range],
        power_mw: float | None,
    ) -> tuple[list[tuning.Range], tuple[Permission, ...]]:
        """What the permissions open of what is asked for, and which of them do; never what nobody may ever use."""
        wanted, left, under = self.wanted(line, role, power_mw), list[tuning.Range](), list[Permission]()
        for permission in self.permissions:
            if shortcomings(permission, wanted, self.days):
                continue
            opened = [
                part
                for low, high in outside_never_use(
                    law, permission.low_hz, permission.high_hz, role.bandwidth_hz
                )
                for part in tuning.narrowed(asked, low, high)
            ]
            for other in under:
                half = role.bandwidth_hz // 2
                opened = tuning.without(opened, other.low_hz + half - 1, other.high_hz - half + 1)
            if opened:
                left += opened
                under.append(permission)
        return left, tuple(under)


@dataclass(frozen=True)
class Kept:
    """How many points of a tuning the band plan takes away, and why, in words for whose tuning it is."""

    points: int
    words: str


class BandPlan:
    """An event's band plan, held against its lines."""

    def __init__(self, event: Event) -> None:
        self.rows = list(event.band_plan.all())
        self.closes_at = event.registration_closes_at

    def concerning(self, line: Registration, *, hard: bool) -> list[PlannedRange]:
        if not self.rows:
            return []
        came_at = line.created_at or timezone.now()
        late = line.late or (self.closes_at is not None and came_at > self.closes_at)
        placed = Placed(line.department.code, line.kind.code, line.zone.code, late)
        return [row for row in self.rows if row.hard == hard and concerns(row, placed)]

    def narrow(
        self, line: Registration, ranges: list[tuning.Range], bandwidth_hz: int
    ) -> tuple[list[tuning.Range], list[Kept]]:
        """What the binding ranges leave of a line's tuning, and what each takes away; bands may touch, not overlap."""
        half, left, kept = (bandwidth_hz + 1) // 2, ranges, list[Kept]()
        rows = self.concerning(line, hard=True)
        if offers := _offers(rows):
            before = tuning.points(left)
            left = [p for low, high in offers for p in tuning.narrowed(left, low + half, high - half)]
            if lost := before - tuning.points(left):
                kept.append(Kept(lost, f"the band plan offers it only {_in_megahertz(offers)}"))
        for row in rows:
            if row.purpose == PlannedRange.Purpose.OFFERED:
                continue
            before = tuning.points(left)
            left = tuning.without(left, row.low_hz - half, row.high_hz + half)
            if lost := before - tuning.points(left):
                kept.append(Kept(lost, f"{_in_megahertz([(row.low_hz, row.high_hz)])}: {row.why}"))
        return left, kept

    def avoided(self, line: Registration, low_hz: int, high_hz: int) -> list[tuple[int, int]]:
        """The ranges between low and high that a line would rather not use, in order, none overlapping another."""
        rows = self.concerning(line, hard=False)
        away = [(r.low_hz, r.high_hz) for r in rows if r.purpose != PlannedRange.Purpose.OFFERED]
        if offers := _offers(rows):
            edges = [low_hz, *(edge for offer in offers for edge in offer), high_hz]
            away += list(zip(edges[::2], edges[1::2], strict=True))
        clipped = [(max(low, low_hz), min(high, high_hz)) for low, high in away]
        return _joined([span for span in clipped if span[0] < span[1]])


def _offers(rows: list[PlannedRange]) -> list[tuple[int, int]]:
    return _joined([(row.low_hz, row.high_hz) for row in rows if row.purpose == PlannedRange.Purpose.OFFERED])


def _joined(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans in order, those that touch or overlap made one."""
    found: list[tuple[int, int]] = []
    for low, high in sorted(spans):
        if found and low <= found[-1][1]:
            found[-1] = found[-1][0], max(found[-1][1], high)
        else:
            found.append((low, high))
    return found


def _in_megahertz(spans: list[tuple[int, int]]) -> str:
    return tuning.in_megahertz(tuning.Range(low_hz=low, high_hz=high, step_hz=1) for low, high in spans)


def antennas_of(event: Event) -> dict[int, Antennas]:
    """{zone's key: its antenna system}, of the zones that have one."""
    return {row.zone_id: row for row in Antennas.objects.filter(zone__event=event).select_related("zone")}


def sending(role: KindRole, power_mw: float | None, antennas: Antennas | None = None) -> SendingChain | None:
    """The sending chain of a role at a conducted power: its own, then what the fixed transmitters of its zone share."""
    if not power_mw:
        return None
    figures = role.radio
    own = SendingChain(
        float(dbm(power_mw)),
        cable_db=figures.get("cable_db", 0.0),
        combiner_db=figures.get("combiner_db", 0.0),
        antenna_dbi=figures.get("antenna_gain_dbi", 0.0),
    )
    return own if antennas is None or role.sent_by != "base" else system(antennas).carrying(own)


def system(antennas: Antennas) -> SendingSystem:
    return SendingSystem(antennas.send_cable_db, antennas.send_combiner_db, antennas.send_gain_dbi)


def received_through(antennas: Antennas | None, role: KindRole) -> bool:
    """Whether receivers of a role hang on a zone's antenna system: they stand there, and its filter lets in some of theirs."""
    if antennas is None or role.received_by != "base":
        return False
    if antennas.low_hz is None or antennas.high_hz is None:
        return True
    return any(
        part["low_hz"] <= antennas.high_hz and antennas.low_hz <= part["high_hz"] for part in role.tuning
    )


def faults_in_antennas(values: Mapping[str, Any]) -> list[Fault]:
    """What does not fit together in a zone's antenna system."""
    faults = []
    low, high = values["low_hz"], values["high_hz"]
    if (low is None) != (high is None):
        field = "high_hz" if high is None else "low_hz"
        faults.append(
            Fault(0, field, "", "Give both ends of what the filter lets in; or neither: everything.")
        )
    elif low is not None and low >= high:
        faults.append(
            Fault(
                0, "high_hz", str(high), f"The filter's range must end above its start, {low / 1e6:.10g} MHz."
            )
        )
    if values["amplifier_db"]:
        faults += [
            Fault(
                0, name, "", f"An amplifier is reckoned with by its {what}, from its data sheet; give it too."
            )
            for name, what in (
                ("amplifier_noise_db", "noise figure"),
                ("amplifier_iip3_dbm", "intercept point"),
            )
            if values[name] is None
        ]
    return faults


def faults_in_settings(both_ends: Iterable[str], one_end: Iterable[str]) -> list[Fault]:
    """What is wrong with the names of settings that a kind asks for: a line could not fill them in, or not know where."""
    faults, seen = [], set()
    for field, names in (("settings", both_ends), ("settings_at_one_end", one_end)):
        for name in names:
            if "=" in name or ";" in name:
                words = f"«{name}»: the name of a setting holds no equals sign and no semicolon."
                faults.append(Fault(0, field, name, words))
            elif len(name) > MAX_SETTING:
                words = (
                    f"«{name[:30]}…» is too long; the name of a setting has at most {MAX_SETTING} characters."
                )
                faults.append(Fault(0, field, name, words))
            elif name in seen:
                faults.append(Fault(0, field, name, f"«{name}» stands twice; keep one of the two."))
            seen.add(name)
    return faults


MODULATIONS: Final[dict[str, Modulation]] = {
    "analogue_mono": "analogue mono",
    "analogue_stereo": "analogue stereo",
    "digital": "digital",
    "dense_digital": "dense digital",
    "narrow_fm": "two-way",
    "wideband": "wideband",
}
"""A kind's modulation as the radio model names it."""


def curve(points: Iterable[Mapping[str, float]] | None, bandwidth_hz: int) -> Mask | None:
    """A mask or filter as the radio model takes it; None where none is set. ValueError says what does not fit, and a way out."""
    if points is None:
        return None
    return mask_of([(point["offset_hz"], point["level_db"]) for point in points], bandwidth_hz)


def usual_curve(name: str, modulation: str, bandwidth_hz: int) -> list[tuple[float, float]]:
    """(offset in hertz, dB) of the mask or filter that holds for a modulation where a role sets none."""
    shapes = EMISSION_MASKS if name == "mask" else FILTER_SHAPES
    return [(offset * bandwidth_hz, level) for offset, level in shapes[MODULATIONS[modulation]]]


def with_figures(before: Mapping[str, Any], given: Mapping[str, Any]) -> dict[str, Any]:
    """A role's radio figures after some were given; None goes back to the model's starting value."""
    return {name: value for name, value in {**before, **given}.items() if value is not None}


def let_in(
    antennas: Antennas | None, role: KindRole, ranges: list[tuning.Range]
) -> tuple[list[tuning.Range], list[Kept]]:
    """What the filter of a zone's antennas leaves of a tuning, so that nobody is given what his receiver cannot hear."""
    if antennas is None or antennas.low_hz is None or not received_through(antennas, role):
        return ranges, []
    left = tuning.narrowed(ranges, antennas.low_hz, antennas.high_hz)
    lost = tuning.points(ranges) - tuning.points(left)
    passes = _in_megahertz([(antennas.low_hz, antennas.high_hz or 0)])
    words = f"the filter before the receivers of {antennas.zone.name} lets in only {passes}"
    return left, [Kept(lost, words)] if lost else []


def permission(
    rules: Ruleset,
    kind: Kind,
    role: KindRole,
    asked: list[tuning.Range],
    power_mw: float | None,
    granted: Granted | None = None,
    line: Registration | None = None,
) -> Allowed:
    """Narrow what is asked for to what the ruleset permits, at the strongest step that any of it allows.

    `power_mw` is the line's own wish, or None for the strongest permitted step of the kind. Where the ruleset leaves
    nothing of it, what was `granted` to the `line` may lift that.
    """
    steps = [power_mw] if power_mw is not None else sorted(kind.power_mw, reverse=True) or [None]
    low = min((part["low_hz"] for part in asked), default=0)
    high = max((part["high_hz"] for part in asked), default=0)
    for step in steps:
        sent = sending(role, step) if granted is None or line is None else granted.sent(line, role, step)
        left = [
            part
            for whole in asked
            for stretch in permitted_stretches(
                rules, kind.use, whole["low_hz"], whole["high_hz"], role.bandwidth_hz, sent
            )
            for part in tuning.narrowed([whole], stretch.low_hz, stretch.high_hz)
        ]
        if left:
            return Allowed(left, step, "")
    if granted is not None and line is not None:
        for step in steps:
            left, under = granted.tuning(rules, line, role, asked, step)
            if left:
                return Allowed(left, step, "", under)
    return Allowed([], None, refusing_words(rules, kind.use, low, high))


@dataclass(frozen=True)
class Room:
    """What is left to a line in one role, of all that it asks for: `free` of it once others' ranges, the band plan and the
    filter of its antennas (`kept`, in words) are taken away; `fits` carriers side by side in there at most, by raster and the
    kind's own spacing alone."""

    allowed: Allowed
    free: list[tuning.Range]
    kept: tuple[str, ...]
    fits: int


class Rooms:
    """How much room lines find at an event: the one home of how many fit by spacing. A line that stands nowhere yet is held
    against the ruleset and all that others take, and against nothing that looks at its place."""

    def __init__(self, event: Event) -> None:
        self.granted, self.plan = Granted(event), BandPlan(event)
        self.occupied = list(event.occupied.all())

    def reaching(self, line: Registration) -> list[Occupied]:
        """The ranges of others that reach a line where it stands; at its hours, where its department shares time."""
        if line.zone_id is None:
            return self.occupied
        hours = line.hours if line.department.shares_time else []
        return [row for row in self.occupied if taken_from(row, line.zone.code, hours)]

    def room(self, line: Registration, role: KindRole, asked: list[tuning.Range]) -> Room:
        placed = line.zone_id is not None
        granted = self.granted if placed else None
        allowed = permission(self.granted.law, line.kind, role, asked, line.power_mw, granted, line)
        half, free, kept = (role.bandwidth_hz + 1) // 2, allowed.tuning, list[Kept]()
        for taken in self.reaching(line):
            free = tuning.without(free, taken.low_hz - half, taken.high_hz + half)
        if placed:
            free, kept = self.plan.narrow(line, free, role.bandwidth_hz)
            free, shut_out = let_in(self.granted.antennas.get(line.zone_id), role, free)
            kept = kept + shut_out
        fits = tuning.side_by_side(free, role.spacing_hz)
        return Room(allowed, free, tuple(part.words for part in kept), fits)


class Bounds:
    """What lines are held against: the ruleset, what was granted, the band plan. The same question is asked once."""

    def __init__(self, event: Event) -> None:
        self.law, self.granted, self.plan = ruleset(event.ruleset), Granted(event), BandPlan(event)
        self._known: dict[tuple[Any, ...], str] = {}

    def allowed(self, line: Registration, role: KindRole) -> Allowed:
        asked = asked_tuning(line, role)
        return permission(self.law, line.kind, role, asked, line.power_mw, self.granted, line)

    def not_permitted(self, line: Registration) -> str:
        """The ruleset's words when nothing of what is asked for is permitted, and nothing granted lifts that."""
        kind = line.kind
        if not kind.assigned:
            return ""
        fixed = line.fixed_hz if line.can_change == Change.NO else None
        antennas = self.granted.antennas.get(line.zone_id)
        question: tuple[Any, ...] = (kind.pk, fixed, line.low_hz, line.high_hz, line.power_mw, antennas)
        if self.granted.permissions:
            question = *question, line.department_id, line.zone_id, line.starts_at, line.ends_at
        if question not in self._known:
            refusals = (self.allowed(line, role).refusal for role in kind.roles.all())
            self._known[question] = next((refusal for refusal in refusals if refusal), "")
        return self._known[question]

    def kept_out(self, line: Registration) -> str:
        """Why the band plan leaves nothing of what a line asks for; a coordinator then decides about line or plan."""
        if line.not_permitted or not line.kind.assigned or not self.plan.concerning(line, hard=True):
            return ""
        for role in line.kind.roles.all():
            allowed = self.allowed(line, role)
            left, kept = self.plan.narrow(line, allowed.tuning, role.bandwidth_hz)
            if allowed.tuning and not left:
                words = "; ".join(part.words for part in kept)
                return f"The band plan leaves nothing of what it asks for: {words}."
        return ""
