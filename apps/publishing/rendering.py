"""A sheet's values and words, as data and as a table: pure functions from an edition's frozen lines to bytes.

The same lines give the same bytes. What is printed from them is in paper.py.
"""

import csv as csv_module
import io
import json as json_module
import re
from collections.abc import Iterable
from dataclasses import asdict
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from apps.publishing import batteries
from apps.publishing.sheets import EditionHeader, SheetLine
from apps.registry.importing import unlike_a_formula
from apps.registry.lines import hours_in_words, intervals_of

FIRST_COLUMNS = ("carrier", "unit", "department", "zone", "frequency_hz", "channel", "power_mw", "spare_of")
MOMENTS_NAMED = 8  # of more changes of batteries nobody reads the list
A_RANGE = re.compile(r"([\d.]+) (?:to|–|and) ([\d.]+) MHz")  # as rulesets write ranges in their cautions


def megahertz(hertz: int) -> str:
    """A frequency printed exact: as many decimals of a megahertz as its hertz need, at least three, never rounded."""
    whole, rest = divmod(hertz, 1_000_000)
    return f"{whole}.{f'{rest:06d}'.rstrip('0').ljust(3, '0')}"


def document(header: EditionHeader, lines: Iterable[SheetLine]) -> dict[str, Any]:
    """The sheet as plain values; rows begin with what is asked for most."""
    lines, rows = list(lines), []
    for line in lines:
        values = asdict(line)
        values["settings"] = dict(line.settings)
        rows.append(
            {name: values[name] for name in FIRST_COLUMNS}
            | {k: v for k, v in values.items() if k not in FIRST_COLUMNS}
        )
    return {
        "event": header.event_slug,
        "edition": header.number,
        "digest": header.digest,
        "timezone": header.timezone,
        "cautions": cautions_for(header, lines),
        "rows": rows,
    }


def json(header: EditionHeader, lines: Iterable[SheetLine]) -> bytes:
    return json_module.dumps(document(header, lines), ensure_ascii=False, indent=1, default=_iso).encode()


def _iso(value: Any) -> str:
    if isinstance(value, datetime):
        return value.isoformat()
    raise TypeError(type(value).__name__)


CSV_COLUMNS = (
    *FIRST_COLUMNS, "frequency_mhz", "label", "kind_name", "role_name", "status", "reason", "starts_at", "ends_at", "cells",
    "running_h", "spares", "settings", "beware", "contact", "notes", "stretches", "timezone", "margin", "outlook", "accepted",
    "at_one_end", "further", "caution", "at_risk_from",
)  # fmt: skip


def csv(header: EditionHeader, lines: Iterable[SheetLine]) -> bytes:
    """The sheet as a table for spreadsheets; cells that would be taken for formulas get an apostrophe.

    Moments are in the event's time, as on all other papers; the column «timezone» names it.
    """
    zone = ZoneInfo(header.timezone)
    out = io.StringIO(newline="")
    writer = csv_module.writer(out, lineterminator="\r\n")
    writer.writerow(CSV_COLUMNS)
    for line in lines:
        values: dict[str, Any] = asdict(line)
        values["frequency_mhz"] = megahertz(line.frequency_hz) if line.frequency_hz else ""
        values["settings"] = "; ".join(f"{name}={value}" for name, value in line.settings)
        values["stretches"] = "; ".join(intervals_of(list(line.stretches), zone))
        values["timezone"] = header.timezone
        for name in ("starts_at", "ends_at"):
            values[name] = values[name].astimezone(zone) if values[name] else None
        for name in ("spares", "beware", "accepted", "at_one_end", "further", "at_risk_from"):
            values[name] = "; ".join(values[name])
        # A table has no head to put it at.
        values["caution"] = f"{FIRST_CAUTION} {OWN_CAUTIONS[-1]}" if line.frequency_hz else STAY_OFF
        writer.writerow([_cell(values[name]) for name in CSV_COLUMNS])
    return out.getvalue().encode()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, float):
        return f"{value:g}"
    return unlike_a_formula(str(value))


def cautions_for(header: EditionHeader, lines: Iterable[SheetLine]) -> list[str]:
    """What matters for the rows of a sheet first; cautions on ranges in which it has no row come last."""
    used = [line.frequency_hz for line in lines if line.frequency_hz]

    def elsewhere(caution: str) -> bool:
        ranges = [(float(low) * 1e6, float(high) * 1e6) for low, high in A_RANGE.findall(caution)]
        return bool(ranges) and not any(low <= hertz <= high for low, high in ranges for hertz in used)

    return [*OWN_CAUTIONS, *sorted(header.cautions, key=elsewhere)]


STAY_OFF = "If this sheet was replaced, or names no frequency, the device stays off."
FIRST_CAUTION = "Transmit only on what this sheet names, and only with the licence that it needs."
OWN_CAUTIONS = (
    "Transmit only on what is named here, only with the licence that it needs. The local regulator and the event's "
    "coordinator decide; a plan decides nothing.",
    "Never transmit on distress, safety or emergency-service frequencies. If you hear a call for help, report it at once.",
    "Keep people away from antennas of stronger transmitters; body-worn devices only as their maker approved them.",
    "The plan predicts medians. Listen before you switch on, walk the stage, and report what does not fit.",
)


def hours(line: SheetLine, zone: ZoneInfo) -> str:
    """From when to when it is on the air, local."""
    return hours_in_words(list(line.hours), zone) if line.hours else "all day"


def batteries_of(line: SheetLine, zone: ZoneInfo) -> str:
    """When fresh cells go in, in words; empty where the device has none."""
    if not line.cells or not line.running_h:
        return line.cells
    if not line.hours:
        return f"{line.cells}, change every {_every(line.running_h)}"
    moments = [
        moment for start, end in line.hours for moment in batteries.changes(start, end, line.running_h)
    ]
    if len(moments) > MOMENTS_NAMED:
        return f"{line.cells}: fresh at switch-on, then every {_every(line.running_h)}"
    local = [moment.astimezone(zone) for moment in moments]
    days = line.stretches or len({moment.date() for moment in local}) > 1
    *first, last = [f"{moment:{'%a %H:%M' if days else '%H:%M'}}" for moment in local]
    times = f"{', '.join(first)} and {last}" if first else last
    once = len(moments) == len(line.hours)
    lasts = f"; lasts to the end{' each time' if first else ''}" if once else ""
    return f"{line.cells}: fresh at {times}{lasts}"


def _every(running_h: float) -> str:
    """How long between two changes, in whole five minutes, rather too early than too late: «5 h 10 min»."""
    minutes = max(5, int(batteries.interval_h(running_h) * 60 + 1e-6) // 5 * 5)
    hours, rest = divmod(minutes, 60)
    return " ".join(part for part in (f"{hours} h" if hours else "", f"{rest} min" if rest else "") if part)


def live_address(header: EditionHeader, line: SheetLine) -> str:
    """What a device's QR code opens; it names the edition that the paper was printed from."""
    return f"{header.address}/u/{line.unit_key}/?e={header.number}"
