"""What the form says while somebody types: what the kind can tune here, what is taken, and what becomes of what it uses now."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Q
from django.utils import timezone

from apps.common.choice import whole_number
from apps.common.errors import Fault
from apps.events.actors import Actor
from apps.events.models import Event
from apps.registry import tuning
from apps.registry.judging import judge
from apps.registry.lines import Line, Names, Reading, read_hertz, read_line
from apps.registry.models import Change, Kind, KindRole, Registration
from apps.registry.queries import asked_tuning, registrations_of
from apps.registry.rules import Rooms, comes_late, permission
from apps.registry.states import RegistrationState
from apps.spectrum.models import Occupied
from apps.spectrum.rulesets import Ruleset, permitted_stretches, ruleset

ALIKE_SHOWN = 5
# What the words of a ruleset mean for whoever wants to transmit.
LICENCES = {
    "ask": "ask the regulator which one is needed",
    "by rule": "none of your own, within these limits: permitted by rule",
    "required": "a licence is required",
}
MOVES = {
    Change.NO: "It stays there: everybody else is planned around it. If that cannot be, you are told why.",
    Change.BETWEEN_SHOWS: "It keeps it if there is room; else it gets another one, to be set between shows.",
    Change.FREELY: "It keeps it if there is room; else it gets another one.",
}


@dataclass(frozen=True)
class RoleGuidance:
    """One carrier of the kind: what it could tune, what of it is permitted here, under which licence, and what is left
    within the line's own limits (`limits`, in words), beside what is taken and what the band plan keeps away (`kept`, in words);
    `fits` carriers side by side at most, by spacing alone. `tuned`: whether the limits leave anything of what it tunes.
    `under`: codes of the permissions without which nothing would be permitted."""

    name: str
    tunes: str
    permitted: str
    refusal: str
    licences: tuple[str, ...]
    limits: str
    tuned: bool
    left: str
    fits: int
    asked_for: int
    kept: tuple[str, ...]
    under: tuple[str, ...]

    @property
    def too_many(self) -> bool:
        return self.asked_for > self.fits

    @property
    def shortage(self) -> str:
        """Why not all that is asked for fits, as a part of a sentence; empty where it may."""
        if not self.too_many:
            return ""
        if not self.tuned:
            return f"your limits leave nothing of what it tunes here, {self.tunes}"
        if not self.fits:
            return f"nothing that it tunes {self.limits} ".rstrip() + " is permitted and free here"
        return _at_most(self.fits, self.asked_for, self.limits or f"in what is left here, {self.left}")


@dataclass
class Guidance:
    """`powers` are the kind's steps in milliwatts with whether any of the tuning is permitted at it.

    `alike` are other lines of the department that ask for the same under another label, or use the same frequency.
    `outside`: days on which it would be on the air and that are none of the event's. `beyond`: limits of the line, in hertz,
    that lie beyond all that the kind tunes, and are perhaps mistyped.
    """

    law: Ruleset
    kind: Kind | None = None
    roles: list[RoleGuidance] = field(default_factory=list)
    powers: list[tuple[float, bool]] = field(default_factory=list)
    taken: list[Occupied] = field(default_factory=list)
    now: list[str] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    alike: list[Registration] = field(default_factory=list)
    outside: list[date] = field(default_factory=list)
    beyond: list[int] = field(default_factory=list)


def guidance(actor: Actor, row: Mapping[str, Any], registration: Registration | None = None) -> Guidance:
    """Read what is typed so far and say what it means. Reads only; what cannot be understood yet is passed over."""
    found = Guidance(ruleset(actor.event.ruleset))
    names = Names(actor)
    whose = {} if registration is None else {"department": registration.department.code}
    line = read_line(names, Reading(1, {**row, **whose}))
    found.alike = _alike(actor, line, registration) if line else []
    found.outside = _outside(actor, line) if line else []
    if registration is not None:
        row = {**row, "department": registration.department.code, "id": registration.pk}
    found.faults = [
        fault
        for fault in judge(actor, [row], all_new=registration is None)[0].faults
        if fault.value and fault.field in row and fault.field != "id"
    ]
    found.kind = names.kinds.get(str(row.get("kind") or "").casefold())
    if found.kind is None or not found.kind.assigned:
        return found
    asked = Registration(kind=found.kind, can_change=row.get("can_change") or Change.FREELY)
    asked.quantity = whole_number(str(row.get("quantity") or "")) or 1
    asked.spares = whole_number(str(row.get("spares") or "")) or 0
    asked.power_mw = line.values.get("power_mw") if line else None
    for name in ("fixed_hz", "low_hz", "high_hz"):
        setattr(asked, name, _hertz(row.get(name)))
    placed = line is not None and _placed(actor, line, asked, registration)
    rooms = Rooms(actor.event)
    granted, occupied = rooms.granted if placed else None, rooms.reaching(asked)
    found.roles = _roles(rooms, asked)
    first = next(iter(found.kind.roles.all()), None)
    if first is not None:
        ends = [edge for stretch in first.tuning for edge in (stretch["low_hz"], stretch["high_hz"])]
        limits = (asked.low_hz, asked.high_hz)
        found.beyond = [hz for hz in limits if hz and ends and not min(ends) <= hz <= max(ends)]
        wide = Registration(kind=found.kind, low_hz=asked.low_hz, high_hz=asked.high_hz)
        can = asked_tuning(wide, first)
        # Where the limits leave nothing, no power is to blame.
        steps = found.kind.power_mw if can else []
        found.powers = [
            (
                step,
                not permission(
                    found.law, found.kind, first, can, step, granted, asked if placed else None
                ).refusal,
            )
            for step in steps
        ]
        left = permission(found.law, found.kind, first, can, None).tuning
        found.taken = [taken for taken in occupied if tuning.narrowed(left, taken.low_hz, taken.high_hz)]
        if asked.fixed_hz:
            found.now = _now(found.law, found.kind, first, asked, occupied)
    return found


def _at_most(fits: int, asked_for: int, where: str) -> str:
    return f"at most {fits} of its {asked_for} fit{'s' if fits == 1 else ''} {where}"


def too_narrow(event: Event, lines: Mapping[Registration, Iterable[KindRole]]) -> dict[int, str]:
    """{key of a line: that not all of it fits within its own limits}, of those lines of which that is so. {line: the roles of its
    carriers} goes in."""
    firsts = {
        line: role
        for line, roles in lines.items()
        for role in list(roles)[:1]
        if _limits(line, role) and not (line.fixed_hz and line.can_change == Change.NO)
    }
    if not firsts:
        return {}
    rooms, found = Rooms(event), {}
    for line, role in firsts.items():
        fits, asked_for = rooms.room(line, role, asked_tuning(line, role)).fits, line.quantity + line.spares
        if fits < asked_for:
            found[line.pk] = _at_most(fits, asked_for, _limits(line, role))
    return found


def roles_of(actor: Actor, line: Registration) -> list[RoleGuidance]:
    """What a line as it stands finds here, for each carrier of its kind."""
    return _roles(Rooms(actor.event), line) if line.kind.assigned else []


def _outside(actor: Actor, line: Line) -> list[date]:
    """First and last day on the air, where they lie outside the event's."""
    event, zone = actor.event, ZoneInfo(actor.event.timezone)
    ends = [line.values[name] for name in ("starts_at", "ends_at") if line.values.get(name)]
    days = {moment.astimezone(zone).date() for moment in ends}
    return sorted(day for day in days if not event.starts_on <= day <= event.ends_on)


def _alike(actor: Actor, line: Line, registration: Registration | None) -> list[Registration]:
    """Other lines of the same department: the same kind, number, zone and hours, or the same frequency in use there."""
    said = line.values
    same = {name: said[name] for name in ("kind", "zone", "quantity", "starts_at", "ends_at") if name in said}
    meant = Q(**same) if len(same) == 5 else Q(pk__in=[])
    if said.get("fixed_hz") and "zone" in said:
        meant |= Q(fixed_hz=said["fixed_hz"], zone=said["zone"])
    others = registrations_of(actor).filter(meant, department=line.department)
    others = others.exclude(state=RegistrationState.WITHDRAWN).exclude(label=said.get("label", ""))
    return list(others.exclude(pk=registration.pk if registration else 0)[:ALIKE_SHOWN])


def _placed(actor: Actor, line: Line, asked: Registration, registration: Registration | None) -> bool:
    """Put into the line what permissions and the band plan look at; False while that is not said yet."""
    if "zone" not in line.values:
        return False
    asked.department, asked.zone = line.department, line.values["zone"]
    asked.starts_at, asked.ends_at = line.values.get("starts_at"), line.values.get("ends_at")
    asked.stretches = line.values.get("stretches") or []
    asked.late = comes_late(actor, registration or asked, timezone.now())
    if registration is not None:
        asked.created_at = registration.created_at
    return True


def _hertz(text: Any) -> int | None:
    try:
        return read_hertz(None, text)
    except ValueError:
        return None


def _roles(rooms: Rooms, asked: Registration) -> list[RoleGuidance]:
    return [_role(rooms, asked, role) for role in asked.kind.roles.all()]


def _limits(asked: Registration, role: KindRole) -> str:
    """The limits of a line in words, where they are those of this carrier; the others follow the first."""
    low, high = (hz and f"{hz / 1e6:.10g}" for hz in (asked.low_hz, asked.high_hz))
    if role.position > 1 or not (low or high):
        return ""
    if low and high:
        return f"between {low} and {high} MHz"
    return f"from {low} MHz up" if low else f"up to {high} MHz"


def _role(rooms: Rooms, asked: Registration, role: KindRole) -> RoleGuidance:
    kind, law, can = asked.kind, rooms.granted.law, asked_tuning(asked, role)
    granted = None if asked.zone_id is None else rooms.granted
    whole = permission(law, kind, role, role.tuning, None, granted, asked)
    room = rooms.room(asked, role, can)
    allowed = room.allowed
    licences = dict.fromkeys(
        f"{LICENCES.get(stretch.by.licence, stretch.by.licence)} ({stretch.by.told_by})"
        for part in allowed.tuning
        for stretch in permitted_stretches(law, kind.use, part["low_hz"], part["high_hz"], role.bandwidth_hz)
        if stretch.by.licence
    )
    return RoleGuidance(
        role.name,
        tuning.in_megahertz(role.tuning),
        tuning.in_megahertz(whole.tuning),
        whole.refusal or (allowed.refusal if can else ""),
        tuple(licences),
        _limits(asked, role),
        bool(can),
        tuning.in_megahertz(room.free) if can else "nothing: your limits leave none of what it tunes",
        room.fits,
        asked.quantity + asked.spares,
        room.kept,
        tuple(row.code for row in allowed.under),
    )


def _now(
    law: Ruleset, kind: Kind, role: KindRole, asked: Registration, occupied: list[Occupied]
) -> list[str]:
    """What is to be said about the frequency in use now."""
    hertz = asked.fixed_hz or 0
    at = f"{hertz / 1e6:.10g} MHz"
    if not tuning.holds(role.tuning, hertz):
        below, above = tuning.nearest(role.tuning, hertz)
        near = " and ".join(f"{point / 1e6:.10g} MHz" for point in (below, above) if point is not None)
        return [f"It cannot be set to {at}. The nearest that it can tune: {near}."]
    here = [tuning.Range(low_hz=hertz, high_hz=hertz, step_hz=1)]
    said = []
    if refusal := permission(law, kind, role, here, None).refusal:
        said.append(f"{at} is not permitted here: {refusal}")
    half = role.bandwidth_hz // 2
    said += [
        f"{at} lies in a range that is taken here: {taken.label}."
        for taken in occupied
        if taken.low_hz < hertz + half and hertz - half < taken.high_hz
    ]
    return [*said, MOVES[Change(asked.can_change)]] if asked.can_change in Change.values else said
