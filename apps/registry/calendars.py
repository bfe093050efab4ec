"""Hours on the air from calendars and into calendars (iCalendar, RFC 5545).

Reading makes occurrences of a calendar's entries within the event's days: series are repeated, exceptions and
cancellations applied. A rule, which whoever imports sees and chooses, says of which lines an occurrence speaks;
their hours then go through the same door as a form or a file. Nothing here writes rows.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
from time import monotonic
from typing import Any
from uuid import NAMESPACE_URL, uuid5
from zoneinfo import ZoneInfo

import recurring_ical_events
from icalendar import Calendar
from icalendar import Event as NewEntry
from icalendar.prop import vCategory

from apps.common.errors import Fault, Faulty
from apps.events.models import Event
from apps.registry.lines import Hours, intervals_of, values_of_hours
from apps.registry.models import Registration
from apps.registry.states import RegistrationState

MAX_ENTRIES = 2_000  # entries of a file, and occurrences of all of them within the event's days
MAX_A_DAY = 48  # a series that repeats more often than every half an hour is no schedule
MAX_REPEATS = 200_000  # steps to be counted through from the beginnings of a file's series to the event
MAX_SECONDS = 10.0
MAX_MARGIN_MIN = 1440
MEDIA_TYPE = "text/calendar"  # RFC 5545, 8.1
PRODUCT = "-//Fairband//hours on the air//EN"


# An entry (VEVENT) as the library reads it; it types each property as any of its thirty kinds of value.
Entry = Any


@dataclass(frozen=True)
class Occurrence:
    """One time that an entry of a calendar takes place. `row` counts from 1 in the order of the file, then of time.

    values: {property: what it says}. hours None: they could not be read,
    see `faults`. outside: the entry has nothing within the event's days; its first hours stand here all the same.
    """

    row: int
    values: Mapping[str, tuple[str, ...]]
    hours: tuple[datetime, datetime] | None = None
    cancelled: bool = False
    outside: bool = False
    faults: tuple[Fault, ...] = ()

    @property
    def name(self) -> str:
        return next(iter(self.values.get("SUMMARY", ())), "")


# -- reading --------------------------------------------------------------------------------


def read_calendar(content: bytes, event: Event) -> list[Occurrence]:
    """Every occurrence of a file's entries within the event's days. Raises Faulty when the file cannot be taken as a whole.

    Times of no time zone (RFC 5545 calls them floating) and whole days are local to the event.
    """
    calendars = _parsed(content)
    zone = ZoneInfo(event.timezone)
    window = (
        datetime.combine(event.starts_on, time(), zone),
        datetime.combine(event.ends_on + timedelta(days=1), time(), zone),
    )
    series = [_Series(entries, cancelled, window) for entries, cancelled in _series_of(calendars)]
    if not series:
        raise _refused(
            "", "There is no entry (VEVENT) in this calendar; export the calendar that holds the schedule."
        )
    if len(series) > MAX_ENTRIES:
        raise _refused(
            f"{len(series):,} entries", f"At most {MAX_ENTRIES:,} entries are taken; split the calendar."
        )
    if sum(one.steps for one in series) > MAX_REPEATS:
        raise _refused(
            "", "The entries of this calendar repeat too often; let their series begin near the event."
        )
    found: list[Occurrence] = []
    patience = monotonic() + MAX_SECONDS
    for one in series:
        # A series that never comes true (every 30 February) is followed for seconds before that shows.
        if monotonic() > patience:
            raise _refused(
                "", "The entries of this calendar take too long to be followed; split it, or end its series."
            )
        for occurrence in one.occurrences(len(found) + 1):
            found.append(occurrence)
            if len(found) > MAX_ENTRIES:
                raise _refused(
                    "", f"More than {MAX_ENTRIES:,} times within the event's days; split the calendar."
                )
    return found


def _parsed(content: bytes) -> list[Any]:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("cp1252", errors="replace")
    try:
        found = Calendar.from_ical(text.strip(), multiple=True) if text.strip() else []
    except (ValueError, LookupError, TypeError, AttributeError) as error:
        raise _refused(
            text[:60], f"This is no calendar that can be read ({error}); export it as iCalendar (.ics)."
        ) from None
    if not found or any(calendar.name != "VCALENDAR" for calendar in found):
        raise _refused(
            text[:60], "This is no iCalendar file: it begins with BEGIN:VCALENDAR. Export it as .ics."
        )
    return found


def _refused(value: str, message: str) -> Faulty:
    return Faulty([Fault(0, "file", value, message)])


def _series_of(calendars: list[Any]) -> Iterator[tuple[list[Entry], bool]]:
    """The entries of one identity belong together: a series and its exceptions. A calendar may cancel all it holds."""
    for calendar in calendars:
        cancelled = str(calendar.get("METHOD", "")).upper() == "CANCEL"
        together: dict[str, list[Entry]] = {}
        for number, entry in enumerate(calendar.walk("VEVENT")):
            together.setdefault(str(entry.get("UID", f"\0{number}")), []).append(entry)
        for entries in together.values():
            yield entries, cancelled


class _Series:
    """One entry with its exceptions, repeated within the event's days."""

    def __init__(self, entries: list[Entry], cancelled: bool, window: tuple[datetime, datetime]) -> None:
        self.entries, self.cancelled, self.window = entries, cancelled, window
        self.zone = window[0].tzinfo
        self.faults = [fault for entry in entries for fault in self._faults_of(entry)]
        self.steps = 0 if self.faults else sum(self._steps(entry) for entry in entries)

    def occurrences(self, row: int) -> Iterator[Occurrence]:
        if self.faults:
            faults = tuple(Fault(row, name, value, message) for name, value, message in self.faults)
            yield Occurrence(row, _values(self.entries[0]), faults=faults)
            return
        try:
            found = sorted(self._repeated(), key=lambda entry: (self._hours(entry), str(entry.get("UID"))))
            for number, entry in enumerate(found):
                yield Occurrence(row + number, _values(entry), self._hours(entry), self._is_cancelled(entry))
            if not found:
                first = self.entries[0]
                yield Occurrence(
                    row, _values(first), self._hours(first), self._is_cancelled(first), outside=True
                )
        except (ValueError, ArithmeticError, LookupError, TypeError, AttributeError) as error:
            fault = Fault(row, "RRULE", "", f"Its repetition cannot be followed ({error}); enter it anew.")
            yield Occurrence(row, _values(self.entries[0]), faults=(fault,))

    def _is_cancelled(self, entry: Entry) -> bool:
        return self.cancelled or str(entry.get("STATUS", "")).upper() == "CANCELLED"

    def _faults_of(self, entry: Entry) -> Iterator[tuple[str, str, str]]:
        """(property, value, what is wrong) of one entry; what cannot be parsed first, then what makes no sense."""
        broken = {str(name).upper() for name, _ in entry.errors}
        for name, why in entry.errors:
            yield str(name), "", f"Cannot be read: {why}. Enter it anew in the calendar."
        if broken & {"DTSTART", "DTEND", "DURATION", "RRULE", "RDATE", "EXDATE", "RECURRENCE-ID"}:
            return
        exception = "RECURRENCE-ID" in entry
        start, end = entry.get("DTSTART"), entry.get("DTEND")
        if start is None:
            yield "DTSTART", "", "It says no start; give it one, or take it out."
            return
        for prop in (start, end):
            name = str(prop.params.get("TZID", "")) if prop is not None and not isinstance(prop, list) else ""
            if name and isinstance(prop.dt, datetime) and prop.dt.tzinfo is None:
                yield (
                    "TZID",
                    name,
                    "This time zone is neither described in the file nor known; use a name such as Europe/Vienna.",
                )
                return
        if isinstance(start, list) or isinstance(end, list):
            yield "DTSTART", "", "It has two starts or two ends; keep one."
            return
        if end is not None and isinstance(start.dt, datetime) != isinstance(end.dt, datetime):
            yield (
                "DTEND",
                str(end.dt),
                "One of start and end is a whole day, the other a time; write both alike.",
            )
            return
        try:
            begins, ends = self._hours(entry)
        except (ValueError, ArithmeticError, TypeError, AttributeError) as error:
            yield "DTSTART", "", f"Its hours cannot be read ({error}); enter them anew."
            return
        if ends == begins and not (exception and self._is_cancelled(entry)):
            yield "DTEND", "", "It has no end; say until when it is on the air."
        elif ends < begins:
            yield (
                "DTEND",
                str(end.dt if end else ""),
                "It ends before it starts; past midnight, give the next day's date.",
            )
        if self._a_day(entry) > MAX_A_DAY:
            yield (
                "RRULE",
                _rule_text(entry),
                f"It repeats more than {MAX_A_DAY} times a day; enter the hours themselves.",
            )

    @staticmethod
    def _rules(entry: Entry) -> list[Any]:
        rule = entry.get("RRULE")
        return [] if rule is None else rule if isinstance(rule, list) else [rule]

    def _a_day(self, entry: Entry) -> int:
        most = 0
        for rule in self._rules(entry):
            often = {"SECONDLY": 86_400, "MINUTELY": 1_440, "HOURLY": 24}.get(
                str(rule.get("FREQ", [""])[0]), 1
            )
            for name in ("BYHOUR", "BYMINUTE", "BYSECOND"):
                often *= max(1, len(rule.get(name, [])))
            most = max(most, often)
        return most

    def _steps(self, entry: Entry) -> int:
        days = max(1, (self.window[1] - self._hours(entry)[0]).days + 1)
        return days * self._a_day(entry)

    def _repeated(self) -> list[Entry]:
        """The occurrences that touch the event's days, each an entry of its own."""
        calendar = Calendar()
        for entry in self.entries:
            calendar.add_component(entry)
        return list(recurring_ical_events.of(calendar).between(*self.window))

    def _hours(self, entry: Entry) -> tuple[datetime, datetime]:
        """From when to when; a day without an end is a whole one (RFC 5545, 3.6.1)."""
        start = entry["DTSTART"].dt
        if "DTEND" in entry:
            end = entry["DTEND"].dt
        elif "DURATION" in entry:
            end = start + entry["DURATION"].dt
        else:
            end = start if isinstance(start, datetime) else start + timedelta(days=1)
        return self._local(start), self._local(end)

    def _local(self, at: date) -> datetime:
        if not isinstance(at, datetime):
            return datetime.combine(at, time(), self.zone)
        return at if at.tzinfo is not None else at.replace(tzinfo=self.zone)


def _rule_text(entry: Entry) -> str:
    return str(entry["RRULE"].to_ical().decode()) if not isinstance(entry["RRULE"], list) else ""


def _values(entry: Entry) -> dict[str, tuple[str, ...]]:
    """What an entry says in words, by property; those that may hold several values give each of them."""
    found: dict[str, list[str]] = {}
    for name, value in entry.property_items(recursive=False):
        if name in ("BEGIN", "END"):
            continue
        if isinstance(value, vCategory):
            texts = [str(text) for text in value.cats]
        elif isinstance(value, str):
            texts = str(value).split(",") if name == "RESOURCES" else [str(value)]
        else:
            continue
        found.setdefault(str(name), []).extend(text.strip() for text in texts if text.strip())
    return {name: tuple(texts) for name, texts in found.items()}


# -- matching -------------------------------------------------------------------------------


class Target(StrEnum):
    """What of a line a property must equal."""

    ZONE = "zone"
    LABEL = "label"
    EXTERNAL_ID = "external_id"


@dataclass(frozen=True)
class Rule:
    """An entry speaks of the lines whose `target` its `prop` equals, in any case; they are on that much longer."""

    prop: str
    target: Target
    before_min: int = 0
    after_min: int = 0

    def widened(self, hours: tuple[datetime, datetime]) -> tuple[datetime, datetime]:
        # As instants: the margins are minutes that pass, also where clocks change.
        start, end = (at.astimezone(UTC) for at in hours)
        return start - timedelta(minutes=self.before_min), end + timedelta(minutes=self.after_min)

    def as_dict(self) -> dict[str, Any]:
        return {
            "prop": self.prop,
            "target": self.target.value,
            "before_min": self.before_min,
            "after_min": self.after_min,
        }


class Fate(StrEnum):
    """What becomes of an occurrence under a rule."""

    TAKEN = "taken"
    CANCELLED = "cancelled"
    UNMATCHED = "fits no line"
    OUTSIDE = "outside the event"
    FAULTY = "faulty"


@dataclass(frozen=True)
class Verdict:
    occurrence: Occurrence
    fate: Fate
    lines: list[Registration] = field(default_factory=list)


@dataclass(frozen=True)
class Schedule:
    """What a calendar says under a rule: a verdict on every occurrence, the hours that lines get, and whose all are cancelled.

    `hours` holds only lines whose hours would change.
    """

    verdicts: list[Verdict]
    hours: list[tuple[Registration, Hours]]
    unchanged: list[Registration]
    emptied: list[Registration]

    @property
    def faults(self) -> list[Fault]:
        return [
            fault
            for verdict in self.verdicts
            if verdict.fate == Fate.FAULTY
            for fault in verdict.occurrence.faults
        ]

    def rows(self) -> list[dict[str, Any]]:
        """The lines with their new hours, as registering reads them."""
        return [
            {"id": row.pk, "department": row.department.code, "stretches": intervals_of(hours, UTC)}
            for row, hours in self.hours
        ]


class _Names:
    """Lines by what a rule may compare them with."""

    def __init__(self, lines: Iterable[Registration]) -> None:
        self.by: dict[Target, dict[str, list[Registration]]] = {target: {} for target in Target}
        for line in lines:
            names = {
                Target.ZONE: {line.zone.code, line.zone.name},
                Target.LABEL: {line.label},
                Target.EXTERNAL_ID: {line.external_id},
            }
            for target, some in names.items():
                for name in {text.strip().casefold() for text in some if text}:
                    self.by[target].setdefault(name, []).append(line)

    def find(self, rule: Rule, occurrence: Occurrence) -> list[Registration]:
        known = self.by[rule.target]
        texts = {text.casefold() for text in occurrence.values.get(rule.prop, ())}
        found = {line.pk: line for text in texts for line in known.get(text, [])}
        return list(found.values())


def schedule(occurrences: Iterable[Occurrence], rule: Rule, lines: Iterable[Registration]) -> Schedule:
    """What the occurrences say of these lines under the rule. An occurrence that fits no line harms nobody."""
    names = _Names(lines)
    verdicts = []
    hours: dict[int, Hours] = {}
    meant: dict[int, Registration] = {}
    for occurrence in occurrences:
        found = names.find(rule, occurrence)
        fate = _fate(occurrence, found)
        verdicts.append(Verdict(occurrence, fate, found))
        if fate in (Fate.TAKEN, Fate.CANCELLED):
            for line in found:
                meant[line.pk] = line
                if fate == Fate.TAKEN and occurrence.hours:
                    hours.setdefault(line.pk, []).append(rule.widened(occurrence.hours))
    result = Schedule(verdicts, [], [], [])
    for key, line in meant.items():
        new = Registration(**values_of_hours(hours.get(key, []))).hours
        if not new:
            result.emptied.append(line)
        elif new == line.hours:
            result.unchanged.append(line)
        else:
            result.hours.append((line, new))
    return result


def _fate(occurrence: Occurrence, found: list[Registration]) -> Fate:
    if not found:
        return Fate.UNMATCHED
    if occurrence.faults:
        return Fate.FAULTY
    if occurrence.outside:
        return Fate.OUTSIDE
    return Fate.CANCELLED if occurrence.cancelled else Fate.TAKEN


def properties_of(occurrences: Iterable[Occurrence]) -> dict[str, str]:
    """The properties that a rule can ask for, each with an example of what it says here."""
    found: dict[str, str] = {}
    for occurrence in occurrences:
        for name, texts in occurrence.values.items():
            found.setdefault(name, texts[0][:60] if texts else "")
    return dict(sorted(found.items()))


def likely_rule(occurrences: list[Occurrence], lines: Iterable[Registration]) -> Rule:
    """The rule under which most occurrences find a line; places by LOCATION where none does."""
    names, counts = _Names(lines), Counter[tuple[str, Target]]()
    usual = [("LOCATION", Target.ZONE), ("SUMMARY", Target.LABEL), ("UID", Target.EXTERNAL_ID)]
    others = [(name, target) for name in properties_of(occurrences) for target in Target]
    for name, target in dict.fromkeys([*usual, *others]):
        counts[name, target] = sum(bool(names.find(Rule(name, target), one)) for one in occurrences)
    (name, target), _ = counts.most_common(1)[0]
    return Rule(name, target)


# -- writing --------------------------------------------------------------------------------


def write_calendar(name: str, event: Event, lines: Iterable[Registration]) -> bytes:
    """When lines are on the air, as a calendar that programs subscribe to. What is on all day stands at every day."""
    calendar = Calendar()
    calendar.add("PRODID", PRODUCT)
    calendar.add("VERSION", "2.0")
    # NAME and REFRESH-INTERVAL are those of RFC 7986; X-WR-CALNAME is what programs read that do not know it.
    calendar.add("NAME", name)
    calendar.add("X-WR-CALNAME", name)
    calendar.add("REFRESH-INTERVAL", timedelta(hours=1), parameters={"VALUE": "DURATION"})
    for line in lines:
        days = [(event.starts_on, event.ends_on + timedelta(days=1))]
        for start, end in line.hours or days:
            calendar.add_component(_entry(event, line, start, end))
    return bytes(calendar.to_ical())


def _entry(event: Event, line: Registration, start: date, end: date) -> Entry:
    entry = NewEntry()
    entry.add("UID", str(uuid5(NAMESPACE_URL, f"fairband:{event.slug}:{line.pk}:{start.isoformat()}")))
    entry.add("DTSTAMP", line.updated_at.astimezone(UTC))
    entry.add("SEQUENCE", line.version)
    whole_days = not isinstance(start, datetime)
    for prop, at in (("DTSTART", start), ("DTEND", end)):
        entry.add(prop, at.astimezone(UTC) if isinstance(at, datetime) else at)
    entry.add("SUMMARY", line.label)
    entry.add("LOCATION", line.zone.name)
    entry.add("CATEGORIES", [line.department.name])
    count = f"{line.quantity} × {line.kind.name}"
    entry.add(
        "DESCRIPTION", f"{count}{', on all day' if whole_days else ''}. Frequencies stand on the sheet."
    )
    accepted = line.state == RegistrationState.ACCEPTED
    entry.add("STATUS", "CONFIRMED" if accepted else "TENTATIVE")
    entry.add("TRANSP", "TRANSPARENT" if whole_days else "OPAQUE")
    return entry
