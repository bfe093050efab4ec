"""Days and hours as people write them, and as machines do: one small grammar for form, table, file and interface.

    moment   := ISO 8601 | [weekday] date [","] time        2027-06-11T19:00, Fri 11 June 19:00, 11.6. 19:00, 11.06.2027 19:00
    stretch  := moment "/" end | moment dash end            2027-06-11T19:00/2027-06-11T23:00, Fri 11 June 19:00–23:00
    end      := moment | time                               a time alone: the same day, or the next where it is earlier

Without an offset a moment is local time of the event; without a year it is the one nearest to the event's days.
"""

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

MONTHS = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september", "october", "november", "december",
)  # fmt: skip
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")

_WEEKDAY = r"(?:(?P<weekday>[a-z]{2,9})\.?,?\s+)?"
_DATES = (
    r"(?P<year>\d{4})-(?P<month>\d{1,2})-(?P<day>\d{1,2})",
    r"(?P<day>\d{1,2})\.\s?(?P<month>\d{1,2})\.\s?(?P<year>\d{4}|\d{2})?",
    r"(?P<day>\d{1,2})(?:\.|st|nd|rd|th)?\s*(?P<word>[a-z]{3,9})\.?,?(?:\s+(?P<year>\d{4}))?",
    r"(?P<word>[a-z]{3,9})\.?\s+(?P<day>\d{1,2})(?:st|nd|rd|th)?,?(?:\s+(?P<year>\d{4}))?",
)
_TIME = r"(?P<hour>\d{1,2}):(?P<minute>\d{2})"
_WHOLE = [re.compile(rf"{_WEEKDAY}{written}(?:\s*,\s*|\s+){_TIME}") for written in _DATES]
_CLOCK = re.compile(_TIME)
# The dash of a stretch stands behind a time of day; one of a date never does.
_DASH = re.compile(r"(?<=:\d\d)\s*(?:[-–—]|\bto\b|\buntil\b)\s*")


@dataclass(frozen=True)
class Days:
    """What a moment is read against: the event's time zone and its days."""

    zone: ZoneInfo
    first: date
    last: date

    def example(self, hour: int = 19) -> str:
        return f"{self.first:%a} {self.first.day} {self.first:%B} {hour}:00"


def read_moment(text: str, days: Days) -> datetime:
    """Raises ValueError with the remedy."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return _local(_written(text, days), days.zone)
    if len(text) <= 10:
        raise ValueError("The time of day is missing; write 2027-06-11T18:00.".replace("2027-06-11", text))
    return moment if moment.tzinfo is not None else _local(moment, days.zone)


def read_end(text: str, start: datetime, days: Days) -> datetime:
    """The end of what began at `start`: a moment, or a time of day alone."""
    if (clock := _CLOCK.fullmatch(text)) is None:
        return read_moment(text, days)
    began = start.astimezone(days.zone).replace(tzinfo=None)
    end = _at(began.date(), clock)
    return _local(end + timedelta(days=1) if end < began else end, days.zone)


def read_stretch(text: str, days: Days) -> tuple[datetime, datetime]:
    """From when to when. Raises ValueError with the remedy."""
    halves = text.split("/") if "/" in text else _DASH.split(text)
    if len(halves) != 2 or not all(half.strip() for half in halves):
        begins = f"{days.first.isoformat()}T"
        raise ValueError(
            f"Write start/end, such as {days.example()}–23:00 or {begins}19:00/{begins}23:00; each stretch on a line of its own."
        )
    start = read_moment(halves[0].strip(), days)
    return start, read_end(halves[1].strip(), start, days)


def _written(text: str, days: Days) -> datetime:
    folded = " ".join(text.casefold().split())
    found = next((match for form in _WHOLE if (match := form.fullmatch(folded))), None)
    said = found.groupdict() if found else {}
    month = _named(said["word"], MONTHS) if said.get("word") else int(said.get("month") or 0)
    if found is None or month is None:
        raise ValueError(
            f"Not a date and time; write {days.example()} or {days.first.isoformat()}T19:00, local time of the event."
        )
    day = _date(int(said["day"]), month, said.get("year"), days)
    if said["weekday"] and (weekday := _named(said["weekday"], WEEKDAYS, 2)) != day.isoweekday():
        if weekday is None:
            raise ValueError(f"«{said['weekday']}» is no day of the week; write {days.example()}.")
        raise ValueError(
            f"{day.day} {day:%B %Y} is a {day:%A}, not a {WEEKDAYS[weekday - 1].capitalize()}; mend one of the two."
        )
    return _at(day, found)


def _date(day: int, month: int, year: str | None, days: Days) -> date:
    years = range(days.first.year - 1, days.last.year + 2)
    if year:
        years = range(whole := int(year) + (2000 if len(year) == 2 else 0), whole + 1)
    possible = []
    for each in years:
        try:
            possible.append(date(each, month, day))
        except ValueError:
            continue
    if not possible:
        raise ValueError("There is no such day in the calendar; mend the date.")
    return min(possible, key=lambda at: max(days.first - at, at - days.last, timedelta()))


def _at(day: date, clock: re.Match[str]) -> datetime:
    hour, minute = int(clock["hour"]), int(clock["minute"])
    if (hour, minute) == (24, 0):
        return datetime.combine(day, time()) + timedelta(days=1)
    if hour > 23 or minute > 59:
        raise ValueError(f"«{hour}:{minute:02d}» is no time of day; use 0:00 to 24:00.")
    return datetime.combine(day, time(hour, minute))


def _named(word: str, names: tuple[str, ...], least: int = 3) -> int | None:
    """The number, counted from 1, of the one name that begins so; None where there is none."""
    word = "sep" if word == "sept" else word
    found = [number for number, name in enumerate(names, 1) if len(word) >= least and name.startswith(word)]
    return found[0] if len(found) == 1 else None


def _local(moment: datetime, zone: ZoneInfo) -> datetime:
    local = moment.replace(tzinfo=zone)
    if local.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != moment:
        raise ValueError("This time does not exist: the clocks go forward that night.")
    return local
