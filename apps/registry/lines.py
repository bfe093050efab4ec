"""One line of a department's list, as every door reads and writes it: form, file and REST share these columns.

Reading turns raw values (text from files and forms, JSON values from the interface) into a Line, or into faults
that name row, field, value and remedy. It looks at the line alone and at the event's names; what the line means for
what is there already is judged in actions.
"""

import difflib
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from decimal import Decimal, InvalidOperation
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

from apps.common.errors import Fault
from apps.events import queries as events
from apps.events.actors import Actor
from apps.events.models import Department, Zone
from apps.registry import moments
from apps.registry.models import Change, Kind, Registration
from apps.registry.moments import Days

COLUMNS = (
    "external_id", "label", "kind", "department", "zone", "quantity", "units", "spares", "start", "end", "all_day",
    "stretches", "priority", "power_mw", "fixed_hz", "low_hz", "high_hz", "can_change", "contact", "notes", "settings",
)  # fmt: skip
READ_ONLY = ("state", "late", "reason", "version")
KEY = "id"  # the interface's own number of a registration; where given, it decides which one is meant
REQUIRED = ("label", "kind", "department", "zone")
MAX_HZ = 10**12
MAX_COUNT = 500
MAX_STRETCHES = 200

_HERTZ = {"": 1, "hz": 1, "khz": 10**3, "mhz": 10**6, "ghz": 10**9}
# What XML 1.0 (section 2.2) has no place for, and so no workbook either.
_UNWRITABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_YES, _NO = {"yes", "y", "true", "1", "x"}, {"no", "n", "false", "0"}


@dataclass(frozen=True)
class Line:
    """What one row says, in our types. `values` holds the fields of Registration that the row speaks of, and no others."""

    row: int
    department: Department
    values: dict[str, Any]
    version: int | None = None
    key: int | None = None


@dataclass
class Reading:
    """One row while it is being read: its raw values, and the faults found so far."""

    row: int
    raw: Mapping[str, Any]
    faults: list[Fault] = field(default_factory=list)

    def fault(self, name: str, message: str, value: Any = None) -> None:
        shown = self.raw.get(name) if value is None else value
        self.faults.append(Fault(self.row, name, "" if shown is None else str(shown)[:200], message))


class Names:
    """The event's kinds, zones and departments that the actor may name, found by code or by name."""

    def __init__(self, actor: Actor) -> None:
        self.actor = actor
        self.timezone = ZoneInfo(actor.event.timezone)
        self.days = Days(self.timezone, actor.event.starts_on, actor.event.ends_on)

    @cached_property
    def kinds(self) -> dict[str, Kind]:
        return _by_name(self.actor.event.kinds.prefetch_related("roles"))

    @cached_property
    def zones(self) -> dict[str, Zone]:
        return _by_name(events.zones_of(self.actor))

    @cached_property
    def departments(self) -> dict[str, Department]:
        return _by_name(events.departments_of(self.actor))

    @cached_property
    def only_department(self) -> Department | None:
        """The department of a lead who leads just one: no need to name it in every row."""
        own = {department.pk: department for department in self.departments.values()}
        return next(iter(own.values())) if len(own) == 1 and not self.actor.sees_all else None


def _by_name(rows: Iterable[Any]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for row in rows:
        found[row.code.casefold()] = row
        found.setdefault(row.name.casefold(), row)
    return found


def read_lines(actor: Actor, rows: Iterable[Mapping[str, Any]]) -> list[tuple[Reading, Line | None]]:
    """Read all rows, counted from 1: each row's reading with its faults, and its line where it could be understood."""
    names, read = Names(actor), []
    seen: dict[tuple[int, str, str], int] = {}
    for number, raw in enumerate(rows, 1):
        reading = Reading(number, raw)
        line = read_line(names, reading)
        if line:
            _refuse_twice(line, reading, seen)
        read.append((reading, line))
    return read


def _refuse_twice(line: Line, reading: Reading, seen: dict[tuple[int, str, str], int]) -> None:
    for name in ("external_id", "label"):
        value = line.values.get(name)
        if not value:
            continue
        first = seen.setdefault((line.department.pk, name, value), line.row)
        if first != line.row:
            reading.fault(
                name,
                f"Row {first} has the same {name.replace('_', ' ')}. Keep one of the two, or rename one.",
            )


def read_line(names: Names, reading: Reading) -> Line | None:
    """Read one row; None, with faults in `reading`, when it cannot be understood."""
    if not isinstance(reading.raw, Mapping):
        reading.raw = {"": reading.raw}
        reading.fault("", "A registration is an object with fields such as label, kind, zone.")
        return None
    reading.raw = _hours_spread_out(reading.raw)
    for name in reading.raw:
        if name not in COLUMNS and name not in READ_ONLY and name != KEY:
            close = difflib.get_close_matches(str(name), COLUMNS, 1)
            hint = f"did you mean {close[0]}?" if close else f"use {', '.join(COLUMNS)}."
            reading.fault(str(name), f"There is no such field; {hint}")
    department = _department(names, reading)
    values = {
        target: value
        for name, (target, read) in _READERS.items()
        if name in reading.raw and (value := _read(names, reading, name, read)) is not _FAULTY
    }
    _read_hours(names, reading, values)
    version, key = _whole(reading, "version"), _whole(reading, KEY)
    return Line(reading.row, department, values, version, key) if department else None


def _whole(reading: Reading, name: str) -> int | None:
    text = _text(reading.raw.get(name))
    if text and not re.fullmatch(r"\d{1,15}", text):
        reading.fault(name, "Not a whole number; give what was read, or leave it out.")
        return None
    return int(text) if text else None


def _hours_spread_out(raw: Mapping[str, Any]) -> Mapping[str, Any]:
    """The interface may give hours as one object: {"hours": {"start", "end"}} or {"hours": {"all_day": true}}."""
    if not isinstance(raw.get("hours"), Mapping):
        return raw
    hours = {name: value for name, value in raw["hours"].items() if value is not None}
    return {**{name: value for name, value in raw.items() if name != "hours"}, **hours}


def _department(names: Names, reading: Reading) -> Department | None:
    text = _text(reading.raw.get("department"))
    if not text:
        if names.only_department:
            return names.only_department
        reading.fault("department", "Say which department this belongs to.")
        return None
    found = names.departments.get(text.casefold())
    if not found:
        reading.fault("department", _unknown("department that you may register for", text, names.departments))
    return found


_FAULTY = object()
_Reader = Callable[[Names, Any], Any]


def _read(names: Names, reading: Reading, name: str, read: _Reader) -> Any:
    try:
        return read(names, reading.raw[name])
    except ValueError as fault:
        reading.fault(name, str(fault))
        return _FAULTY


def _text(value: Any) -> str:
    """Without blanks around it, and with line feeds alone at the ends of its lines."""
    return "" if value is None else str(value).replace("\r\n", "\n").replace("\r", "\n").strip()


def _plain(limit: int) -> _Reader:
    def read(_: Names, value: Any) -> str:
        if isinstance(value, dict | list):
            raise ValueError("Give plain text.")
        text = _text(value)
        if len(text) > limit:
            raise ValueError(f"Too long: {len(text)} characters, at most {limit}.")
        if strange := _UNWRITABLE.search(text):
            raise ValueError(
                f"The text holds a character that no file can carry (U+{ord(strange[0]):04X}); remove it."
            )
        return text

    return read


def _label(names: Names, value: Any) -> str:
    text = _plain(200)(names, value)
    if not text:
        raise ValueError("Give the line a label, unique in its department, such as «lead vocals».")
    return text


def _kind(names: Names, value: Any) -> Kind:
    found = names.kinds.get(_text(value).casefold())
    if not found:
        raise ValueError(_unknown("kind", _text(value), names.kinds))
    return found


def _zone(names: Names, value: Any) -> Zone:
    found = names.zones.get(_text(value).casefold())
    if not found:
        raise ValueError(_unknown("zone", _text(value), names.zones))
    return found


NAMED = 12  # more names than these help nobody in a sentence


def _unknown(what: str, text: str, known: dict[str, Any]) -> str:
    codes = sorted({row.code for row in known.values()})
    if not text:
        names = sorted({row.name for row in known.values()}, key=str.casefold)
        if len(names) > NAMED:
            return f"Say which {what}; {len(names)} are set up here, such as {names[0]}."
        return f"Say which {what}: {', '.join(names) or 'none is set up yet'}."
    close = difflib.get_close_matches(text.casefold(), known, 1, 0.6)
    if close:
        return f"There is no {what} «{text}»; did you mean {known[close[0]].code}?"
    named, more = codes[:NAMED], len(codes) - NAMED
    rest = f" and {more} more" if more > 0 else ""
    return f"There is no {what} «{text}»; there are {', '.join(named) or 'none yet'}{rest}."


def _count(low: int, default: int, high: int = MAX_COUNT) -> _Reader:
    def read(_: Names, value: Any) -> int:
        text = _text(value)
        if not text:
            return default
        if isinstance(value, bool | float) or not re.fullmatch(r"[+-]?\d{1,9}", text):
            raise ValueError(f"Not a whole number; use {low} to {high}.")
        if not low <= int(text) <= high:
            raise ValueError(f"Out of range; use {low} to {high}.")
        return int(text)

    return read


def read_hertz(_: Names | None, value: Any) -> int | None:
    """Whole hertz. Text may carry a unit, with a decimal point or comma: 470125000, 470.125 MHz, 470,125 MHz.

    Whoever writes megahertz, as all forms do, is told in megahertz what is wrong.
    """
    if value is None or value == "":
        return None
    if isinstance(value, bool | float | dict | list):
        raise ValueError("Give whole hertz, such as 470125000.")
    text = _text(value)
    megahertz = text.casefold().endswith("mhz")
    match = re.fullmatch(r"([0-9]+)(?:[.,]([0-9]+))?\s*([kKmMgG]?[hH][zZ])?", text)
    if not match:
        raise ValueError(
            "Not a frequency; write megahertz, such as 470.125."
            if megahertz
            else "Not a frequency; use whole hertz such as 470125000, or 470.125 MHz."
        )
    whole, part, unit = match.groups()
    hertz = Decimal(f"{whole}.{part or 0}") * _HERTZ[(unit or "").lower()]
    if hertz != hertz.to_integral_value():
        raise ValueError(
            "Finer than any device is tuned; megahertz have six decimals at most, such as 470.125."
            if megahertz
            else "Not a whole number of hertz; write 470125000, or 470.125 MHz with its unit."
        )
    if not 1 <= hertz <= MAX_HZ:
        limits = "0.000001 to 1000000 MHz" if megahertz else "1 Hz to 1 THz"
        raise ValueError(f"Out of range; use {limits}.")
    return int(hertz)


def _power(_: Names, value: Any) -> float | None:
    text = _text(value).replace(",", ".")
    if not text:
        return None
    try:
        power = Decimal(text)
        power = round(power, 6) if power.is_finite() else power  # nanowatts: no more than any file carries
    except InvalidOperation:
        raise ValueError("Not a power; give milliwatts, such as 50.") from None
    if not (power.is_finite() and 0 < power <= 100_000):
        raise ValueError("Out of range; give milliwatts, more than 0 and at most 100000.")
    return float(power)


def _can_change(_: Names, value: Any) -> str | None:
    text = re.sub(r"[\s_-]+", " ", _text(value).casefold())
    known = {"": None, "not at all": Change.NO, **{choice.value: choice for choice in Change}}
    if text not in known:
        raise ValueError("Use no, between shows or freely.")
    return known[text]


def _settings(_: Names, value: Any) -> dict[str, str]:
    """Text is read as name=value; name=value."""
    if isinstance(value, Mapping):
        pairs = [(str(name).strip(), _text(text)) for name, text in value.items()]
    else:
        parts = [part for part in _text(value).split(";") if part.strip()]
        bare = next((part.strip() for part in parts if "=" not in part), None)
        if bare is not None:
            raise ValueError(f"«{bare[:60]}» has no equals sign; write settings as name=value.")
        pairs = [(name.strip(), text.strip()) for name, text in (part.split("=", 1) for part in parts)]
    seen: set[str] = set()
    for name, text in pairs:
        if not name:
            raise ValueError("A setting has no name; write name=value.")
        if ";" in name + text or "=" in name:
            raise ValueError(
                f"«{name[:60]}»: a setting may not hold a semicolon, nor its name an equals sign; leave it out."
            )
        if name in seen:
            raise ValueError(f"The setting «{name[:60]}» stands twice; keep one of the two.")
        if len(name) > 100 or len(text) > 500:
            raise ValueError(
                f"The setting «{name[:60]}» is too long; names have at most 100 characters, values 500."
            )
        if _UNWRITABLE.search(name + text):
            raise ValueError(
                f"The setting «{name[:60]}» holds a character that no file can carry; remove it."
            )
        seen.add(name)
    return dict(pairs)


_READERS: dict[str, tuple[str, _Reader]] = {
    "external_id": ("external_id", _plain(100)),
    "label": ("label", _label),
    "kind": ("kind", _kind),
    "zone": ("zone", _zone),
    "quantity": ("quantity", _count(1, 1)),
    "units": ("units", _count(1, 1)),
    "spares": ("spares", _count(0, 0)),
    "priority": ("priority", _count(1, 2, 9)),
    "power_mw": ("power_mw", _power),
    "fixed_hz": ("fixed_hz", read_hertz),
    "low_hz": ("low_hz", read_hertz),
    "high_hz": ("high_hz", read_hertz),
    "can_change": ("can_change", _can_change),
    "contact": ("contact", _plain(200)),
    "notes": ("notes", _plain(5000)),
    "settings": ("settings", _settings),
}


def _read_hours(names: Names, reading: Reading, values: dict[str, Any]) -> None:
    raw = reading.raw
    if not ({"start", "end", "all_day"} & set(raw) or raw.get("stretches")):
        return
    all_day = _yes(reading)
    if raw.get("stretches"):
        _read_stretches(names, reading, all_day, values)
        return
    start, end = _ends(names, reading)
    if any(fault.field in ("start", "end") for fault in reading.faults):
        return
    if start and end and end <= start:
        on = start.astimezone(names.timezone)
        reading.fault(
            "end",
            f"The end is not after the start, {on:%d %b %H:%M}; past midnight, give the next day's date.",
        )
        start = end = None
    elif (start is None) != (end is None):
        missing, other = ("end", "start") if start else ("start", "end")
        reading.fault(missing, f"With a {other} comes an {missing}; or leave both empty for all day.", "")
        start = end = None
    elif all_day is False and start is None:
        reading.fault("start", "Say from when to when, or that it is on all day.", "")
    if all_day and (raw.get("start") or raw.get("end")):
        reading.fault(
            "all_day", "All day and hours exclude each other: take «all day» away, or clear the hours."
        )
    elif not any(fault.field in ("start", "end", "all_day") for fault in reading.faults):
        values |= values_of_hours([(start, end)] if start and end else [])


def _ends(names: Names, reading: Reading) -> tuple[datetime | None, datetime | None]:
    """From when to when; the field «start» may hold both, and «end» a time of day alone. Both are looked at before either is
    refused."""
    texts = {name: _text(reading.raw.get(name)) for name in ("start", "end")}
    if texts["start"] and not texts["end"]:
        try:
            return moments.read_stretch(texts["start"], names.days)
        except ValueError:
            pass  # then it is a start alone, or nothing: the words for that follow
    ends: dict[str, datetime | None] = {"start": None, "end": None}
    for name, text in texts.items():
        try:
            if text:
                start = ends["start"]
                ends[name] = (
                    moments.read_end(text, start, names.days)
                    if start
                    else moments.read_moment(text, names.days)
                )
        except ValueError as fault:
            reading.fault(name, str(fault))
    return ends["start"], ends["end"]


Hours = list[tuple[datetime, datetime]]


def values_of_hours(hours: Hours) -> dict[str, Any]:
    """The fields of Registration that say when it is on: hours in any order, touching ones joined; empty: all day."""
    joined: Hours = []
    for start, end in sorted(hours):
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(end, joined[-1][1]))
        else:
            joined.append((start, end))
    return {
        "starts_at": joined[0][0] if joined else None,
        "ends_at": joined[-1][1] if joined else None,
        "stretches": [[at.astimezone(UTC).isoformat() for at in pair] for pair in joined]
        if len(joined) > 1
        else [],
    }


def hours_in_words(hours: Hours, zone: ZoneInfo) -> str:
    """Hours as people read them, local."""
    return (
        ", ".join(_stretch_in_words(start.astimezone(zone), end.astimezone(zone)) for start, end in hours)
        or "all day"
    )


def _stretch_in_words(start: datetime, end: datetime) -> str:
    same_day = start.date() == end.date()
    return f"{start:%a %d %b %H:%M}" + (f"–{end:%H:%M}" if same_day else f" – {end:%a %d %b %H:%M}")


def intervals_of(hours: Hours, zone: tzinfo) -> list[str]:
    """Hours as the column «stretches» writes them: ISO 8601 time intervals, start and end with a solidus between."""
    return ["/".join(at.astimezone(zone).isoformat() for at in pair) for pair in hours]


def _read_stretches(names: Names, reading: Reading, all_day: bool | None, values: dict[str, Any]) -> None:
    """Several stretches; from and until may stand beside them if they are the first start and the last end."""
    given = reading.raw["stretches"]
    parts = given if isinstance(given, list) else re.split(r"[;\n]", _text(given))
    hours: Hours = []
    said = list(filter(None, map(_text, parts)))
    for number, part in enumerate(said, 1):
        which = f"Row {number}, «{part[:60]}»: " if len(said) > 1 else ""
        try:
            start, end = moments.read_stretch(part, names.days)
        except ValueError as fault:
            reading.fault("stretches", f"{which}{fault}", part)
            continue
        if end <= start:
            reading.fault(
                "stretches",
                f"{which}This stretch ends before it starts; past midnight, give the next day's date.",
                part,
            )
        hours.append((start, end))
    if len(hours) > MAX_STRETCHES:
        reading.fault(
            "stretches", f"{len(hours)} stretches; at most {MAX_STRETCHES} are kept for one line.", ""
        )
    if all_day:
        reading.fault(
            "all_day",
            "All day and stretches exclude each other: take «all day» away, or clear the stretches.",
        )
    if not hours or any(fault.field in ("stretches", "all_day") for fault in reading.faults):
        return
    found = values_of_hours(hours)
    for name, whole in (("start", found["starts_at"]), ("end", found["ends_at"])):
        try:
            if (at := read_moment(reading.raw.get(name), names.days)) and at != whole:
                reading.fault(
                    name, "The stretches say something else; change them, or clear them, or leave this empty."
                )
        except ValueError as fault:
            reading.fault(name, str(fault))
    values |= found


def _yes(reading: Reading) -> bool | None:
    value = reading.raw.get("all_day")
    if isinstance(value, bool):
        return value
    text = _text(value).casefold()
    if text in _YES:
        return True
    if text in _NO:
        return False
    if text:
        reading.fault("all_day", "Use yes or no.")
    return None


def read_moment(value: Any, days: Days) -> datetime | None:
    """A moment as people or machines write it; None for nothing. Raises ValueError with the remedy."""
    text = _text(value)
    return moments.read_moment(text, days) if text else None


def row_of(registration: Registration, zone: ZoneInfo) -> dict[str, Any]:
    """The line as the columns show it: what a file exports and the interface answers. Reads back to the same line."""
    moments = {"start": registration.starts_at, "end": registration.ends_at}
    return {
        "external_id": registration.external_id,
        "label": registration.label,
        "kind": registration.kind.code,
        "department": registration.department.code,
        "zone": registration.zone.code,
        "quantity": registration.quantity,
        "units": registration.units,
        "spares": registration.spares,
        **{name: at.astimezone(zone).isoformat() if at else None for name, at in moments.items()},
        "all_day": registration.all_day,
        "stretches": intervals_of(registration.hours, zone) if registration.stretches else [],
        "priority": registration.priority,
        "power_mw": registration.power_mw,
        "fixed_hz": registration.fixed_hz,
        "low_hz": registration.low_hz,
        "high_hz": registration.high_hz,
        "can_change": registration.can_change,
        "contact": registration.contact,
        "notes": registration.notes,
        "settings": registration.settings,
        "state": registration.state,
        "late": "yes" if registration.late else "no",
        "reason": (registration.not_permitted and f"not permitted here: {registration.not_permitted}")
        or registration.reason,
        "version": registration.version,
    }
