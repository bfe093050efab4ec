"""What may be said of the spectrum at a site, as pure predicates that give the reason why not."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from apps.events.actors import Actor
from apps.events.models import Event
from apps.spectrum.models import Occupied, Permission, PlannedRange

TOLERANCE = 1.005  # limits are written in rounded milliwatts
CHANNEL_STATES = ("occupied", "free", "unknown")


def refusal_to_mark(state: str, source: str, known_on: date | None) -> dict[str, str]:
    """{field: why not}: an occupied or free channel needs its source and date, since television changes."""
    refused = {}
    if state not in CHANNEL_STATES:
        refused["state"] = f"Use {', '.join(CHANNEL_STATES)}."
    if state in ("occupied", "free"):
        if not source.strip():
            refused["source"] = "Say how this is known: a register, a survey, somebody's word."
        if known_on is None:
            refused["known_on"] = "Give the day on which this was so."
    return refused


def refusals_of_outsider(values: Mapping[str, Any]) -> dict[str, str]:
    """{field: why not} of a transmission of others."""
    refused = _refusals_of_hours(values)
    if values["level_db"] > 0:
        refused["level_db"] = "0 dB is a device of the zone itself; give 0 or less."
    return refused


def _refusals_of_hours(values: Mapping[str, Any]) -> dict[str, str]:
    start, end = values["starts_at"], values["ends_at"]
    if (start is None) != (end is None):
        return {
            "ends_at" if start else "starts_at": "Give both, from and until; or neither: always on the air."
        }
    return {"ends_at": "The end is not after the start."} if start and end <= start else {}


def refusals_of_occupied(event: Event, values: Mapping[str, Any]) -> dict[str, str]:
    """{field: why not} of a range taken by others."""
    refused = _refusals_of_hours(values)
    if values["low_hz"] >= values["high_hz"]:
        refused["high_hz"] = f"The range must end above its start, {values['low_hz']}."
    if words := _unknown(event.zones, values["zones"]):
        refused["zones"] = f"{words} Empty: the whole site."
    return refused


def _unknown(rows: Any, codes: Sequence[str]) -> str:
    known = set(rows.values_list("code", flat=True))
    unknown = sorted(set(codes) - known)
    return (
        f"There is no {', '.join(unknown)}; there are {', '.join(sorted(known)) or 'none yet'}."
        if unknown
        else ""
    )


def taken_from(row: Occupied, zone: str, hours: Sequence[tuple[datetime, datetime]]) -> bool:
    """Whether a taken range reaches somebody in a zone at some hours; no zone, no hours: wherever, always."""
    if row.zones and zone and zone not in row.zones:
        return False
    if row.starts_at is None or row.ends_at is None or not hours:
        return True
    return any(start < row.ends_at and row.starts_at < end for start, end in hours)


def refusal_to_see_surveys(actor: Actor) -> str:
    if actor.sees_all:
        return ""
    return "Surveys show every department's carriers, so only coordinators and the site desk see them."


@dataclass(frozen=True)
class Wanted:
    """What one transmission needs to be permitted. Powers are e.i.r.p. in milliwatts; height None: in somebody's hand."""

    use: str
    department_id: int
    zone: str
    bandwidth_hz: int
    eirp_mw: float | None
    antenna_height_m: float | None
    starts_at: datetime
    ends_at: datetime


def days_of(event: Event) -> tuple[datetime, datetime]:
    """From the first moment of an event's first day to the last of its last, in its own time."""
    zone = ZoneInfo(event.timezone)
    first = datetime.combine(event.starts_on, time(), zone)
    return first, datetime.combine(event.ends_on + timedelta(days=1), time(), zone)


def shortcomings(permission: Permission, wanted: Wanted, days: tuple[datetime, datetime]) -> list[str]:
    """Why a permission, whatever its state, does not reach a transmission; its range is looked at elsewhere."""
    starts_at, ends_at = permission.starts_at or days[0], permission.ends_at or days[1]
    found = []
    if permission.department_id not in (None, wanted.department_id):
        found.append("it is another department's")
    if permission.use not in ("", wanted.use):
        found.append(f"it is for {permission.use.replace('_', ' ')}")
    if permission.zones and wanted.zone not in permission.zones:
        found.append(f"it is for {', '.join(permission.zones)}")
    if wanted.bandwidth_hz > permission.width_hz:
        found.append(f"it is for {permission.width_hz / 1000:g} kHz at most")
    if wanted.eirp_mw is not None and wanted.eirp_mw > permission.eirp_mw * TOLERANCE:
        found.append(f"it is for {permission.power_mw:g} mW {permission.get_basis_display()} at most")
    height = permission.antenna_height_m
    if height is not None and wanted.antenna_height_m is not None and wanted.antenna_height_m > height:
        found.append(f"it is for antennas of {height:g} m at most")
    if wanted.starts_at < starts_at or wanted.ends_at > ends_at:
        found.append("its hours do not reach as far")
    if permission.until is not None and permission.until < wanted.ends_at:
        found.append("it ends before")
    return found


@dataclass(frozen=True)
class Placed:
    """Of a line what the band plan looks at: codes, and whether it came after registration had closed."""

    department: str
    kind: str
    zone: str
    late: bool


def concerns(row: PlannedRange, line: Placed) -> bool:
    """Whether a range of the band plan speaks to a line."""
    named = (row.departments, line.department), (row.kinds, line.kind), (row.zones, line.zone)
    if row.purpose == PlannedRange.Purpose.FOR_LATE and line.late:
        return False
    return all(not codes or code in codes for codes, code in named)


def refusals_of_range(event: Event, values: Mapping[str, Any]) -> dict[str, str]:
    """{field: why not} of a range of the band plan: upside down, or naming somebody who is not there."""
    refused = {}
    if values["low_hz"] >= values["high_hz"]:
        refused["high_hz"] = f"The range must end above its start, {values['low_hz']}."
    for name, rows in (("departments", event.departments), ("kinds", event.kinds), ("zones", event.zones)):
        if words := _unknown(rows, values[name]):
            refused[name] = f"{words} Empty: all."
    return refused
