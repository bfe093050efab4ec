"""Permissions as rows: what has to be asked for, the list that goes out to whoever decides, and the answers read back.

Form, REST and file share these columns. A row is for one frequency (`frequency_hz`) or for a range (`low_hz`, `high_hz`);
`width_hz` is the widest carrier. A row with a code speaks of a permission that is there, one without is a new one.
"""

import hashlib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.utils import timezone

from apps.common.choice import whole_number
from apps.common.errors import Fault
from apps.events.actors import Actor
from apps.registry import queries
from apps.registry.judging import Status
from apps.registry.lines import Names, Reading, read_hertz, read_moment
from apps.registry.models import KindRole, Registration
from apps.registry.rules import Granted, permission
from apps.registry.states import RegistrationState
from apps.spectrum.models import Permission
from apps.spectrum.queries import permissions_of
from apps.spectrum.rulesets import Ruleset, outside_never_use, ruleset
from apps.spectrum.states import PermissionState, may_move

COLUMNS = (
    "code", "state", "department", "use", "frequency_hz", "low_hz", "high_hz", "width_hz", "power_mw", "basis",
    "antenna_height_m", "zones", "place", "start", "end", "wanted_for", "authority", "reference", "conditions", "until",
)  # fmt: skip
READ_ONLY = ("version",)
TO_ASK = "to be asked for"
_FIELDS = {"start": "starts_at", "end": "ends_at"}
_NAMES = {field: name for name, field in _FIELDS.items()}
_TEXTS = {"place": 300, "wanted_for": 500, "authority": 200, "reference": 200, "conditions": 5000}


# -- what has to be asked for ---------------------------------------------------------------


@dataclass(frozen=True)
class Need:
    """Lines that the ruleset does not permit and that one permission would; `row` is what to ask for.

    `state`: to be asked for, or what became of the permission in `by` that would have reached them.
    """

    row: dict[str, Any]
    lines: tuple[Registration, ...]
    words: str
    state: str
    by: Permission | None

    @property
    def key(self) -> str:
        return hashlib.sha256(repr(sorted(self.row.items())).encode()).hexdigest()[:16]


def needs_of(actor: Actor) -> list[Need]:
    """What the lines marked as not permitted here would need, those of the same figures together."""
    law = ruleset(actor.event.ruleset)
    granted = Granted(actor.event)
    # The strongest answer counts: somebody is waiting, or was refused, or had it once.
    order = [PermissionState.ASKED, PermissionState.REFUSED, PermissionState.LAPSED]
    others = [row for row in permissions_of(actor) if row.state != PermissionState.GRANTED]
    tried = [
        (row, granted.only([row]))
        for row in sorted(others, key=lambda row: order.index(PermissionState(row.state)))
    ]
    marked = queries.registrations_of(actor).exclude(not_permitted="")
    marked = marked.filter(state__in=[RegistrationState.SUBMITTED, RegistrationState.ACCEPTED])
    found: dict[str, Need] = {}
    for line in marked.prefetch_related("kind__roles"):
        for role in line.kind.roles.all():
            asked = queries.asked_tuning(line, role)
            question = law, line.kind, role, asked, line.power_mw
            allowed = permission(*question, granted, line)
            if not allowed.refusal or not asked:
                continue
            by = next((row for row, one in tried if not permission(*question, one, line).refusal), None)
            need = Need(
                _row_to_ask(actor, line, role, asked, granted),
                (line,),
                allowed.refusal,
                by.state if by else TO_ASK,
                by,
            )
            same = found.get(need.key)
            found[need.key] = replace(same, lines=(*same.lines, line)) if same else need
    return [replace(need, row={**need.row, "wanted_for": _for(need.lines)}) for need in found.values()]


def _row_to_ask(
    actor: Actor, line: Registration, role: KindRole, asked: list[Any], granted: Granted
) -> dict[str, Any]:
    low, high = min(part["low_hz"] for part in asked), max(part["high_hz"] for part in asked)
    half = (role.bandwidth_hz + 1) // 2
    alone = low == high
    wanted = granted.wanted(line, role, line.power_mw or max(line.kind.power_mw, default=None))
    zone = ZoneInfo(actor.event.timezone)
    at = [line.zone.name, actor.event.site]
    if actor.event.latitude_deg is not None and actor.event.longitude_deg is not None:
        at.append(f"near {actor.event.latitude_deg:.4f}, {actor.event.longitude_deg:.4f}")
    return {
        "code": "", "state": PermissionState.ASKED.value, "department": line.department.code, "use": line.kind.use,
        "frequency_hz": low if alone else None, "low_hz": None if alone else low - half,
        "high_hz": None if alone else high + half, "width_hz": role.bandwidth_hz,
        "power_mw": float(f"{wanted.eirp_mw:.3g}") if wanted.eirp_mw else None, "basis": Permission.Basis.EIRP.value,
        "antenna_height_m": wanted.antenna_height_m, "zones": line.zone.code,
        "place": ", ".join(part for part in at if part), "start": _local(line.starts_at, zone),
        "end": _local(line.ends_at, zone),
    }  # fmt: skip


def _for(lines: tuple[Registration, ...]) -> str:
    return "; ".join(dict.fromkeys(f"{line.label} ({line.quantity} × {line.kind.name})" for line in lines))[
        :500
    ]


def standing_on(line: Registration, granted: Granted) -> list[Permission]:
    """The permissions without which a line would not be permitted here."""
    if not granted.permissions or not line.kind.assigned or line.not_permitted:
        return []
    found: dict[str, Permission] = {}
    for role in line.kind.roles.all():
        asked = queries.asked_tuning(line, role)
        for row in permission(granted.law, line.kind, role, asked, line.power_mw, granted, line).under:
            found[row.code] = row
    return list(found.values())


def in_words(row: Permission, zone: ZoneInfo) -> str:
    """What somebody has to know who stands on a permission: who granted it, under which reference, until when, and how."""
    until = f", until {row.until.astimezone(zone):%d %b %Y, %H:%M}" if row.until else ""
    power = f"at most {row.power_mw:g} mW {row.get_basis_display()}"
    granted = f"Granted by {row.authority}, reference {row.reference} ({row.code}), {power}{until}."
    return f"{granted} {row.conditions}".strip()


# -- rows out -------------------------------------------------------------------------------


def row_of(row: Permission, zone: ZoneInfo) -> dict[str, Any]:
    """A permission as the columns show it; reads back to the same."""
    alone = row.frequency_hz
    return {
        "code": row.code, "state": row.state, "department": row.department.code if row.department else "",
        "use": row.use, "frequency_hz": alone, "low_hz": None if alone else row.low_hz,
        "high_hz": None if alone else row.high_hz, "width_hz": row.width_hz, "power_mw": row.power_mw,
        "basis": row.basis, "antenna_height_m": row.antenna_height_m, "zones": "; ".join(row.zones),
        "place": row.place, "start": _local(row.starts_at, zone), "end": _local(row.ends_at, zone),
        "wanted_for": row.wanted_for, "authority": row.authority, "reference": row.reference,
        "conditions": row.conditions, "until": _local(row.until, zone), "version": row.version,
    }  # fmt: skip


def _local(moment: datetime | None, zone: ZoneInfo) -> str | None:
    return moment.astimezone(zone).isoformat() if moment else None


# -- rows in --------------------------------------------------------------------------------


@dataclass
class Answer:
    """One row's verdict: new, changed, unchanged or faulty. `values` are fields of a permission, `changes` [old, new]."""

    row: int
    code: str
    status: Status
    faults: list[Fault]
    existing: Permission | None
    values: dict[str, Any]
    changes: dict[str, list[Any]]
    version: int | None


def judge(actor: Actor, rows: Iterable[Mapping[str, Any]]) -> list[Answer]:
    """Judge every row against what is there; reads only. Every fault names row, field, value and remedy."""
    judge = _Judge(actor)
    return [judge.judge(Reading(number, raw)) for number, raw in enumerate(rows, 1)]


def fingerprint(answers: Iterable[Answer]) -> str:
    """The same for answers that would write the same."""
    said = [
        (
            a.row,
            a.status.value,
            a.existing and (a.existing.code, a.existing.version),
            repr(sorted(a.changes.items())),
        )
        for a in answers
    ]
    return hashlib.sha256(repr(said).encode()).hexdigest()[:16]


class _Judge:
    def __init__(self, actor: Actor) -> None:
        self.names, self.law = Names(actor), ruleset(actor.event.ruleset)
        self.there = {row.code: row for row in permissions_of(actor)}
        self.seen: dict[str, int] = {}
        self.uses = sorted(
            {use for row in self.law.ranges for use in row.uses if use != "any"}
            | {kind.use for kind in self.names.kinds.values()}
        )

    def judge(self, reading: Reading) -> Answer:
        if not isinstance(reading.raw, Mapping):
            reading.raw = {"": reading.raw}
            reading.fault("", "A permission is an object with fields such as state, low_hz, high_hz.")
        for name in reading.raw:
            if name not in (*COLUMNS, *READ_ONLY):
                reading.fault(str(name), f"There is no such field; use {', '.join(COLUMNS)}.")
        code = _text(reading.raw.get("code"))
        existing = self.there.get(code)
        if code and existing is None:
            reading.fault("code", "There is no permission of that code; leave the code empty for a new one.")
        if code and self.seen.setdefault(code, reading.row) != reading.row:
            reading.fault(
                "code", f"Row {self.seen[code]} speaks of the same permission; keep one of the two."
            )
        values = {
            _FIELDS.get(name, name): value
            for name in COLUMNS[1:]
            if name in reading.raw and (value := self._read(reading, name)) is not _FAULTY
        }
        self._place_in_spectrum(reading, values, existing)
        merged = {
            **_DEFAULTS,
            **({name: getattr(existing, name) for name in _DEFAULTS} if existing else {}),
            **values,
        }
        changes = {
            name: [getattr(existing, name) if existing else None, value]
            for name, value in (values if existing else merged).items()
            if existing is None or getattr(existing, name) != value
        }
        self._judge_whole(reading, merged, existing, changes)
        version = self._version(reading, existing)
        if reading.faults:
            return Answer(reading.row, code, Status.FAULTY, reading.faults, existing, {}, {}, version)
        status = Status.NEW if existing is None else Status.CHANGED if changes else Status.UNCHANGED
        return Answer(
            reading.row, code, status, [], existing, values if existing else merged, changes, version
        )

    def _version(self, reading: Reading, existing: Permission | None) -> int | None:
        text = _text(reading.raw.get("version"))
        version = whole_number(text)
        if text and version is None:
            reading.fault("version", "Not a whole number; give what was read, or leave it out.")
        elif version and existing and version != existing.version:
            reading.fault(
                "version",
                f"Changed in the meantime: it is at version {existing.version}. Take the list again, then repeat your change.",
            )
        return version

    def _read(self, reading: Reading, name: str) -> Any:
        value = reading.raw[name]
        try:
            return self._value(name, value)
        except ValueError as fault:
            reading.fault(name, str(fault))
            return _FAULTY

    def _value(self, name: str, value: Any) -> Any:
        text = _text(value)
        match name:
            case "state":
                if text.casefold() not in PermissionState.values:
                    raise ValueError(f"Use {', '.join(PermissionState.values)}.")
                return text.casefold()
            case "department":
                found = self.names.departments.get(text.casefold())
                if text and found is None:
                    known = sorted({row.code for row in self.names.departments.values()})
                    raise ValueError(
                        f"There is no such department; there are {', '.join(known)}. Empty: for all."
                    )
                return found
            case "use":
                use = re.sub(r"[\s-]+", "_", text.casefold())
                if use and use not in self.uses:
                    raise ValueError(f"There is no such use; there are {', '.join(self.uses)}. Empty: any.")
                return use
            case "frequency_hz" | "low_hz" | "high_hz" | "width_hz":
                return read_hertz(None, value)
            case "power_mw" | "antenna_height_m":
                return _positive(text)
            case "basis":
                basis = text.casefold().replace(".", "") or Permission.Basis.EIRP.value
                if basis not in Permission.Basis.values:
                    raise ValueError("Use erp or eirp: which of the two the paper means.")
                return basis
            case "zones":
                return self._zones(value)
            case "start" | "end" | "until":
                return read_moment(value, self.names.days)
        limit = _TEXTS[name]
        if len(text) > limit:
            raise ValueError(f"Too long: {len(text)} characters, at most {limit}.")
        if "\x00" in text:
            raise ValueError("The text holds a character that cannot be stored (NUL); remove it.")
        return text

    def _zones(self, value: Any) -> list[str]:
        parts = value if isinstance(value, list) else re.split(r"[;,]", _text(value))
        found = []
        for part in (_text(part) for part in parts):
            zone = self.names.zones.get(part.casefold())
            if part and zone is None:
                known = sorted({row.code for row in self.names.zones.values()})
                raise ValueError(
                    f"There is no zone «{part}»; there are {', '.join(known)}. Empty: the whole site."
                )
            if zone:
                found.append(zone.code)
        return sorted(set(found))

    def _place_in_spectrum(
        self, reading: Reading, values: dict[str, Any], existing: Permission | None
    ) -> None:
        """Turn one frequency and its width into the range that it needs; a row speaks of one or of the other."""
        hertz = values.pop("frequency_hz", None)
        ends = {name: values.pop(name) for name in ("low_hz", "high_hz") if values.get(name)}
        for name in ("low_hz", "high_hz"):
            values.pop(name, None)
        width = values.get("width_hz") or (existing.width_hz if existing else None)
        if hertz is None and not ends and existing and existing.frequency_hz and "width_hz" in values:
            hertz = existing.frequency_hz
        if hertz and ends:
            reading.fault("frequency_hz", "Give one frequency or a range, not both; clear one of them.")
        elif hertz and width:
            values["low_hz"] = max(1, hertz - width // 2)
            values["high_hz"] = values["low_hz"] + width
        elif hertz is None:
            values |= ends

    def _judge_whole(
        self,
        reading: Reading,
        merged: dict[str, Any],
        existing: Permission | None,
        changes: dict[str, list[Any]],
    ) -> None:
        wrong = {fault.field for fault in reading.faults}
        if not wrong & {"frequency_hz", "low_hz", "high_hz", "width_hz"}:
            self._judge_range(reading, merged)
        if merged["power_mw"] is None and "power_mw" not in wrong:
            reading.fault("power_mw", "Say the radiated power in milliwatts.", "")
        start, end = merged["starts_at"], merged["ends_at"]
        if (start is None) != (end is None):
            reading.fault(
                "end" if start else "start", "Give both start and end; or neither, for all days.", ""
            )
        elif start and end <= start:
            reading.fault("end", "The end is not after the start.")
        if existing and not may_move(existing.state, merged["state"]):
            reading.fault("state", f"A permission that is {existing.state} cannot become {merged['state']}.")
        if merged["state"] != PermissionState.GRANTED:
            return
        for name, said in (
            ("reference", "the reference of what was granted"),
            ("authority", "who granted it"),
        ):
            if not merged[name] and name not in wrong:
                reading.fault(name, f"Say {said}; without it nobody can show it.", "")
        until = merged["until"]
        if until and until <= timezone.now() and {"state", "until"} & set(changes):
            reading.fault("until", "That is over already; write lapsed as its state.")

    def _judge_range(self, reading: Reading, merged: dict[str, Any]) -> None:
        low, high, width = merged["low_hz"], merged["high_hz"], merged["width_hz"]
        if not width:
            reading.fault("width_hz", "Say how wide a carrier is, such as 200 kHz.", "")
        elif not low or not high:
            reading.fault("frequency_hz", "Give a frequency, or a range with both ends.", "")
        elif low >= high:
            reading.fault("high_hz", f"The range must end above its start, {low}.")
        elif high - low < width:
            reading.fault("width_hz", "A carrier of this width finds no room in the range.")
        elif not outside_never_use(self.law, low, high, width):
            reading.fault(
                "low_hz" if reading.raw.get("low_hz") else "frequency_hz", _never(self.law, low, high)
            )


_FAULTY = object()
_DEFAULTS: dict[str, Any] = {
    "state": PermissionState.ASKED.value, "department": None, "use": "", "low_hz": None, "high_hz": None,
    "width_hz": None, "power_mw": None, "basis": Permission.Basis.EIRP.value, "antenna_height_m": None, "zones": [],
    "place": "", "starts_at": None, "ends_at": None, "wanted_for": "", "authority": "", "reference": "",
    "conditions": "", "until": None,
}  # fmt: skip


def _never(law: Ruleset, low: int, high: int) -> str:
    away = next(row for row in law.reserved if row.never_use and row.low_hz < high and low < row.high_hz)
    return f"{away.words or away.why} ({away.source}) No permission of an event opens it; ask whoever wrote so again."


def _text(value: Any) -> str:
    return "" if value is None else str(value).strip().replace("\r\n", "\n")


def _positive(text: str) -> float | None:
    if not text:
        return None
    if not re.fullmatch(r"\d{1,9}([.,]\d{1,6})?", text) or not float(text.replace(",", ".")):
        raise ValueError("Not a number above 0; write such as 50 or 2.5.")
    return float(text.replace(",", "."))


def changes_in_words(answer: Answer) -> list[tuple[str, str, str]]:
    """(field, old, new) as people read them; of a new row only what it says."""

    def plain(value: Any) -> str:
        if value in (None, "", []):
            return "–"
        if isinstance(value, datetime):
            return f"{timezone.localtime(value):%Y-%m-%d %H:%M}"
        if isinstance(value, list):
            return ", ".join(value)
        return f"{value:g}" if isinstance(value, float) else str(getattr(value, "code", value))

    return [
        (_NAMES.get(name, name).replace("_", " "), plain(old), plain(new))
        for name, (old, new) in answer.changes.items()
        if plain(old) != plain(new)
    ]
