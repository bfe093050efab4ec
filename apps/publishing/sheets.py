"""What a sheet is made of: an edition's header and its lines, as frozen values."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo


@dataclass(frozen=True)
class EditionHeader:
    event_name: str
    event_slug: str
    site: str
    timezone: str
    number: int
    published_at: datetime
    published_by: str
    note: str
    digest: str
    replaces: int | None
    address: str
    ruleset_name: str
    cautions: tuple[str, ...]
    contact_on_site: str = ""  # editions from before it could be kept have none


@dataclass(frozen=True)
class SheetLine:
    """One unit. `frequency_hz` None: it has no frequency and must stay off; `reason` says why.

    settings: (name, value), what must match at both ends first; an empty value is still to be filled in. Of their names
    `at_one_end` are those that the kind sets at one end only, `further` those that it does not ask for; editions from
    before the two were told apart have neither.
    starts_at and ends_at None: on all day; stretches: when between them, where that is not all the time.
    spares: carriers in reserve with their frequencies, in words.
    outlook: what its margin means, as a word; at_risk_from: where it is not fine, who disturbs most, the strongest first.
    accepted: broken rules that stay, with whose signature and what to expect.
    """

    carrier: str
    unit: str
    unit_label: str
    unit_key: str
    department: str
    department_name: str
    zone: str
    zone_name: str
    label: str
    kind: str
    kind_name: str
    role: str
    role_name: str
    frequency_hz: int | None
    channel: str
    bandwidth_hz: int
    power_mw: float | None
    settings: tuple[tuple[str, str], ...]
    spare_of: str
    spares: tuple[str, ...]
    starts_at: datetime | None
    ends_at: datetime | None
    stretches: tuple[tuple[datetime, datetime], ...]
    cells: str
    running_h: float | None
    status: str
    reason: str
    beware: tuple[str, ...]
    contact: str
    notes: str
    margin: str
    outlook: str = ""
    accepted: tuple[str, ...] = ()
    at_one_end: tuple[str, ...] = ()
    further: tuple[str, ...] = ()
    at_risk_from: tuple[str, ...] = ()

    @property
    def both_ends(self) -> tuple[tuple[str, str], ...]:
        """What must match at both ends."""
        apart = {*self.at_one_end, *self.further}
        return tuple((name, value) for name, value in self.settings if name not in apart)

    @property
    def set_apart(self) -> list[tuple[str, tuple[tuple[str, str], ...]]]:
        """All other settings, under words of their own; nothing where there are none."""
        groups = (("at one end", self.at_one_end), ("further", self.further))
        return [
            (words, tuple((name, value) for name, value in self.settings if name in names))
            for words, names in groups
            if names
        ]

    @property
    def unset(self) -> int:
        """How many of its settings nobody has filled in."""
        return sum(not value for _, value in self.settings)

    @property
    def hours(self) -> tuple[tuple[datetime, datetime], ...]:
        """When it is on the air; empty: all day, every day."""
        if self.starts_at is None or self.ends_at is None:
            return ()
        return self.stretches or ((self.starts_at, self.ends_at),)

    @property
    def searched(self) -> str:
        """All that somebody may remember of it, in small letters: words, and its frequency in megahertz."""
        megahertz = f"{self.frequency_hz / 1e6:.6f}" if self.frequency_hz else ""
        words = (
            self.unit,
            self.label,
            self.kind_name,
            self.role_name,
            self.department_name,
            self.zone_name,
            self.contact,
            self.notes,
        )
        return " ".join((*words, megahertz)).casefold()

    @property
    def most_at_risk(self) -> str:
        """Who disturbs it most, and what to do about it; empty where there is enough left."""
        return f"{'; '.join(self.at_risk_from)}: have them on when you test" if self.at_risk_from else ""

    @property
    def in_reserve(self) -> str:
        """Whom a spare serves, and that it is not on the air beside it; empty for all others."""
        return f"spare for {self.spare_of}: stays off until it is needed" if self.spare_of else ""


def days_on_air(line: SheetLine, zone: ZoneInfo) -> set[date]:
    """The days of which a line's hours touch a part, in the event's time; empty for who is on all day, every day."""
    found: set[date] = set()
    for start, end in line.hours:
        day, last = start.astimezone(zone).date(), (end - timedelta(microseconds=1)).astimezone(zone).date()
        found |= {day + timedelta(days=number) for number in range((last - day).days + 1)}
    return found


@dataclass(frozen=True)
class Told:
    """One change in words; `unit_key` names the device's page, and is empty where the device is gone."""

    words: str
    unit_key: str


@dataclass(frozen=True)
class Since:
    """What is different from the edition before, for who holds that on paper.

    marks: {unit: what stands in its row, «new» or «was 553.425»}; told: the changes one by one, for the top of the sheet.
    """

    edition: int
    marks: dict[str, str]
    told: tuple[Told, ...]

    @property
    def words(self) -> tuple[str, ...]:
        return tuple(row.words for row in self.told)


@dataclass(frozen=True)
class MustStayOff:
    """Devices of one line of a list that have no frequency for the same reason."""

    label: str
    kind_name: str
    units: tuple[str, ...]
    reason: str


def must_stay_off(lines: Iterable[SheetLine]) -> list[MustStayOff]:
    """Those of the lines without a frequency, gathered by what they are and why."""
    found: dict[tuple[str, str, str], list[str]] = {}
    for line in lines:
        if line.frequency_hz is None:
            found.setdefault((line.label, line.kind_name, line.reason or line.status), []).append(line.unit)
    return [MustStayOff(label, kind, tuple(units), why) for (label, kind, why), units in found.items()]
