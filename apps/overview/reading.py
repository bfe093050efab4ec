"""Journal entries in words: old and new values as people read them, frequencies in megahertz, moments local."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from typing import Any

from django.utils import timezone
from django.utils.dateparse import parse_datetime

from apps.journal.models import Entry
from apps.publishing.rendering import megahertz

SHOWN = 4
# Verbs that machines know, as people read them.
READS_BETTER = {
    "ended the run as done": "finished the run",
    "ended the run as cancelled": "broke off the run",
}
# Names of fields that say more to a program than to people, as the pages call them.
CALLED = {"digest": "fingerprint", "penalty": "compromises"}
KEY = re.compile("[0-9a-f]{16}")  # of a breach, which its words name better
FOLDED = 100  # more than that nobody reads on a page; the interface holds the entry whole


@dataclass(frozen=True)
class Value:
    """One value that an entry changed; `old` is empty where there was none."""

    name: str
    old: str
    new: str


@dataclass(frozen=True)
class Part:
    """What an entry changed on one of its subjects."""

    subject: str
    values: list[Value]


@dataclass(frozen=True)
class Told:
    """An entry with its changes in words; `rest` are the subjects beyond the first few, `beyond` counts those past them."""

    entry: Entry
    parts: list[Part]
    rest: list[Part]
    beyond: int = 0

    @property
    def deed(self) -> str:
        """The verb as it reads before its subject: «stopped the run», before «run 3», is «stopped»."""
        verb = READS_BETTER.get(self.entry.verb, self.entry.verb)
        noun = re.escape(self.entry.subject.partition(" ")[0])
        return re.sub(rf" (a|an|the) {noun}$", "", verb)


def told(entry: Entry) -> Told:
    some = islice(entry.changes.items(), SHOWN + FOLDED)
    parts = [
        Part(entry.subject if KEY.fullmatch(subject) else subject, list(_values(fields)))
        for subject, fields in some
    ]
    parts = [part for part in parts if part.values]
    return Told(entry, parts[:SHOWN], parts[SHOWN:], max(0, len(entry.changes) - SHOWN - FOLDED))


def _values(fields: dict[str, Any]) -> Iterator[Value]:
    """What really changed: a field that was empty and stayed so is left out."""
    for name, pair in fields.items():
        if not isinstance(pair, list) or len(pair) != 2 or (pair[0] in _EMPTY and pair[1] in _EMPTY):
            continue
        words, unit = _named(name)
        yield Value(
            words, "" if pair[0] in _EMPTY else _value(name, pair[0], unit), _value(name, pair[1], unit)
        )


_EMPTY: tuple[Any, ...] = (None, "", {}, [])


def _named(name: str) -> tuple[str, str]:
    """A field's name in words and its unit: «low_hz» is «low», in MHz."""
    for suffix, unit in (
        ("_hz", "MHz"),
        ("_mw", "mW"),
        ("_db", "dB"),
        ("_dbm", "dBm"),
        ("_m", "m"),
        ("_deg", "°"),
        ("_h", "h"),
    ):
        if name.endswith(suffix):
            return name.removesuffix(suffix).replace("_", " "), unit
    return CALLED.get(name) or name.removesuffix("_at").replace("_", " "), ""


def _value(name: str, value: Any, unit: str) -> str:
    if value is None or value == "":
        return "nothing"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if unit == "MHz" and isinstance(value, int):
        return f"{megahertz(value)} MHz"
    if isinstance(value, dict):
        return ", ".join(f"{key} {item}" for key, item in value.items()) or "nothing"
    if isinstance(value, list):
        return ", ".join(map(str, value)) or "nothing"
    if isinstance(value, str) and name.endswith("_at"):
        moment = parse_datetime(value)
        if isinstance(moment, datetime) and timezone.is_aware(moment):
            return f"{timezone.localtime(moment):%a %d %b %Y, %H:%M}"
    if isinstance(value, float):
        value = f"{value:g}"
    return f"{value} {unit}".strip()
