"""The planning problem (planning-problem/1): frozen rows with every default resolved, and the strict reading of a document.

Reading judges the whole document and names every fault at once, each with its path: a misspelt rule is never dropped.
"""

import json
import math
import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

FORMAT = "planning-problem/1"
FAMILIES = ("2A-B", "A+B-C", "3A-2B", "3A-B-C", "2A+B-2C", "4A-3B")
TREATMENTS = ("forbid", "penalise", "ignore")
MAX_HZ = 10**12
MAX_POINTS = 2_000_000
ALWAYS = "always"  # the one slot of a problem that names none

Rule = TypeVar("Rule")


def linear(db: float) -> float:
    """A level in dB as a ratio of powers; whatever is beyond a float is infinite."""
    return float(10 ** (db / 10)) if db < 3000 else math.inf


@dataclass(frozen=True, slots=True)
class Band:
    low_hz: int
    high_hz: int


@dataclass(frozen=True, slots=True)
class Tuning:
    """Frequencies low + k·step up to high, in hertz."""

    low_hz: int
    high_hz: int
    step_hz: int

    @property
    def points(self) -> int:
        return (self.high_hz - self.low_hz) // self.step_hz + 1


@dataclass(frozen=True, slots=True)
class Zone:
    """A place; `hears` maps sending places to their level at this one's receivers in dB, 0 or less."""

    id: str
    hears: Mapping[str, float]
    passband: tuple[Band, ...]


@dataclass(frozen=True, slots=True)
class Carrier:
    id: str
    zone: str
    sent_from: tuple[str, ...]
    received_in: tuple[str, ...]
    kind: str
    tuning: tuple[Tuning, ...]
    bandwidth_hz: int
    slots: tuple[str, ...]
    priority: int
    level_db: float
    mixes: bool
    fixed_hz: int | None
    previous_hz: int | None

    @property
    def stands(self) -> frozenset[str]:
        """Every zone that it is registered in, sent from or received in: what a rule's zones are held against."""
        return frozenset((self.zone, *self.sent_from, *self.received_in))


@dataclass(frozen=True, slots=True)
class Separation:
    zones: tuple[str, str] | None
    kinds: tuple[str, str] | None
    carriers: tuple[str, str] | None
    min_hz: int
    treatment: str
    weight: float


@dataclass(frozen=True, slots=True)
class Blocked:
    id: str | None
    low_hz: int
    high_hz: int
    zones: frozenset[str] | None
    kinds: frozenset[str] | None
    slots: frozenset[str] | None


@dataclass(frozen=True, slots=True)
class Pair:
    first: str
    second: str
    offset_hz: int
    either_way: bool

    @property
    def offsets_hz(self) -> tuple[int, ...]:
        return (self.offset_hz, -self.offset_hz) if self.either_way and self.offset_hz else (self.offset_hz,)


@dataclass(frozen=True, slots=True)
class Span:
    carriers: tuple[str, ...]
    max_span_hz: int


@dataclass(frozen=True, slots=True)
class Noise:
    zones: frozenset[str] | None
    kinds: frozenset[str] | None
    low_hz: int
    step_hz: int
    level_dbm: tuple[float, ...]
    reference_dbm: float
    weight: float


@dataclass(frozen=True, slots=True)
class ProductRule:
    family: str
    guard_hz: int
    treatment: str
    limit_db: float
    weight: float
    made_in: str
    zones: frozenset[str] | None
    kinds: frozenset[str] | None

    @property
    def limit(self) -> float:
        """What a load may reach without exceeding, linear; the tolerance is the format's."""
        return linear(self.limit_db) * (1 + 1e-6)


@dataclass(frozen=True, slots=True)
class Problem:
    zones: tuple[Zone, ...]
    slots: tuple[str, ...]
    carriers: tuple[Carrier, ...]
    separations: tuple[Separation, ...]
    blocked: tuple[Blocked, ...]
    pairs: tuple[Pair, ...]
    spans: tuple[Span, ...]
    noise: tuple[Noise, ...]
    products: tuple[ProductRule, ...]


@dataclass(frozen=True, slots=True)
class Fault:
    path: str
    message: str

    def __str__(self) -> str:
        return f"{self.path}: {self.message}"


class MalformedProblem(ValueError):
    """The document is no problem of this format; `faults` names everything that is wrong with it."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(map(str, self.faults)))


# -- reading --------------------------------------------------------------------------------

TOP_KEYS = "format note zones slots carriers separations blocked pairs spans noise products"
REQUIRED_LISTS = ("zones", "carriers")


def read_problem(document: object) -> Problem:
    """Read a document of the format. Raises MalformedProblem with every fault at once."""
    if not isinstance(document, dict):
        raise MalformedProblem([Fault("problem", f"{_shown(document)} is not an object")])
    faults: list[Fault] = []
    top = _Row(faults, "", document)
    top.only(TOP_KEYS)
    if document.get("format") != FORMAT:
        top.fault(
            "format",
            f"{_shown(document['format'])} is not known here; this solver reads {FORMAT}"
            if "format" in document
            else f"missing; this solver reads {FORMAT}",
        )
    for name in REQUIRED_LISTS:
        if name not in document:
            top.fault(name, "missing")
    slots = _slots(top)
    zone_rows, carrier_rows = top.rows("zones"), top.rows("carriers")
    known = {
        "zone": _ids(zone_rows),
        "carrier": _ids(carrier_rows),
        "slot": set(slots),
        "kind": {row.values["kind"] for row in carrier_rows if isinstance(row.values.get("kind"), str)},
    }
    for row in (*zone_rows, *carrier_rows):
        row.known = known
    zones = tuple(_zone(row) for row in zone_rows)
    carriers = tuple(_carrier(row, slots) for row in carrier_rows)
    _no_level_above_zero(zones, carriers, carrier_rows)

    def read(name: str, one: Callable[["_Row"], Rule | None]) -> tuple[Rule, ...]:
        rows = top.rows(name, known)
        return tuple(rule for row in rows if (rule := one(row)) is not None)

    problem = Problem(
        zones=zones,
        slots=slots,
        carriers=carriers,
        separations=read("separations", _separation),
        blocked=read("blocked", _blocked),
        pairs=read("pairs", _pair),
        spans=read("spans", _span),
        noise=read("noise", _noise),
        products=read("products", _product),
    )
    if faults:
        raise MalformedProblem(faults)
    return problem


def read_json(text: str) -> object:
    """JSON as the format means it: a key that stands twice in an object is a fault, for one of the two would be dropped.

    Raises MalformedProblem, also where the text is no JSON at all.
    """
    twice: list[Fault] = []

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        counted = Counter(key for key, _ in pairs)
        twice.extend(Fault(key, "this key stands twice in one object") for key, n in counted.items() if n > 1)
        return dict(pairs)

    try:
        document = json.loads(text, object_pairs_hook=once)
    except (ValueError, RecursionError) as error:
        raise MalformedProblem([Fault("document", f"is not JSON: {error}")]) from error
    if twice:
        raise MalformedProblem(twice)
    return document


@dataclass
class _Row:
    """One object of the document with its path: takes values out of it and notes what is wrong with them."""

    faults: list[Fault]
    path: str
    values: Mapping[str, Any]
    known: Mapping[str, set[str]] = field(default_factory=dict)

    def at(self, name: str) -> str:
        return f"{self.path}.{name}" if self.path else name

    def fault(self, name: str, message: str) -> None:
        self.faults.append(Fault(self.at(name) if name else self.path, message))

    def wrong(self, name: str, message: str) -> None:
        """Note a value that is not what it should be, or that it is missing."""
        self.fault(name, f"{_shown(self.values[name])} {message}" if name in self.values else "missing")

    def only(self, keys: str) -> None:
        known = keys.split()
        for key in self.values:
            if key not in known:
                self.fault(key, f"there is no such key; use {', '.join(known)}")

    def rows(self, name: str, known: Mapping[str, set[str]] | None = None) -> list["_Row"]:
        """The objects of a list, each with its path. A missing list is empty."""
        value = self.values.get(name, [])
        if not isinstance(value, list):
            self.wrong(name, "is not a list")
            return []
        found = []
        for number, entry in enumerate(value):
            path = f"{self.at(name)}[{number}]"
            if isinstance(entry, dict):
                found.append(_Row(self.faults, path, entry, self.known if known is None else known))
            else:
                self.faults.append(Fault(path, f"{_shown(entry)} is not an object"))
        return found

    def text(self, name: str) -> str:
        value = self.values.get(name)
        if isinstance(value, str) and value:
            return value
        self.wrong(name, "is not a name; use text")
        return ""

    def whole(
        self, name: str, low: int, high: int, *, default: int | None = None, noun: str | None = None
    ) -> int:
        if name not in self.values and default is not None:
            return default
        value = self.values.get(name)
        if type(value) is not int:
            self.wrong(name, "is not a whole number; use digits without quotes or point")
        elif not low <= value <= high:
            what = f"is not {noun}" if noun else "is out of range"
            self.wrong(name, f"{what}; use a whole number from {low} to {high}")
        else:
            return value
        return max(low, default or low)

    def hertz(self, name: str) -> int:
        return self.whole(name, 1, MAX_HZ, noun="a frequency in hertz")

    def optional_hertz(self, name: str) -> int | None:
        return None if self.values.get(name) is None else self.hertz(name)

    def real(self, name: str, *, default: float | None = None) -> float:
        if name not in self.values and default is not None:
            return default
        value = _real(self.values.get(name))
        if value is None:
            self.wrong(name, "is not a number")
        return default or 0.0 if value is None else value

    def weight(self) -> float:
        weight = self.real("weight", default=1.0)
        if weight < 0:
            self.wrong("weight", "is below 0; a weight costs, it does not reward")
        return weight

    def flag(self, name: str, default: bool) -> bool:
        value = self.values.get(name, default)
        if not isinstance(value, bool):
            self.wrong(name, "is neither true nor false")
            return default
        return value

    def among(self, name: str, known: tuple[str, ...], default: str | None = None) -> str:
        value = self.values.get(name, default)
        if not isinstance(value, str) or value not in known:
            self.wrong(name, f"is not known; use {', '.join(known)}")
            return known[0]
        return value

    def range(self) -> Band:
        """low_hz … high_hz."""
        low, high = self.hertz("low_hz"), self.hertz("high_hz")
        if high < low and type(self.values.get("low_hz")) is type(self.values.get("high_hz")) is int:
            self.wrong("high_hz", f"lies below low_hz {low}")
        return Band(low, max(low, high))

    def names(self, name: str, what: str, *, count: int | None = None) -> tuple[str, ...] | None:
        """A list of known names; None when absent or null. An empty list is a fault: a rule must name somebody."""
        value = self.values.get(name)
        if value is None:
            return None
        if not isinstance(value, list):
            self.wrong(name, f"is not a list of {what}s")
            return None
        if not value or (count is not None and len(value) != count):
            few = "an empty list names nobody" if not value else f"names {len(value)}"
            self.fault(name, f"{few}; use {count}" if count else f"{few}; leave it out to mean all")
            return None
        for number, entry in enumerate(value):
            if not isinstance(entry, str) or entry not in self.known[what]:
                self.fault(f"{name}[{number}]", f"there is no {what} {_shown(entry)}")
        return tuple(entry for entry in value if isinstance(entry, str))

    def names_or(self, name: str, what: str, default: tuple[str, ...]) -> tuple[str, ...]:
        """As names, but here an empty list means the default too."""
        return default if self.values.get(name) == [] else self.names(name, what) or default

    def scope(self, name: str, what: str) -> frozenset[str] | None:
        found = self.names(name, what)
        return None if found is None else frozenset(found)

    def two(self, name: str, what: str) -> tuple[str, str] | None:
        if name in self.values and self.values[name] is None:
            self.wrong(name, f"is not a list of two {what}s")
        found = self.names(name, what, count=2)
        return (found[0], found[1]) if found and len(found) == 2 else None

    def two_carriers(self) -> tuple[str, str] | None:
        if "carriers" not in self.values:
            self.fault("carriers", "missing")
        ends = self.two("carriers", "carrier")
        if ends and ends[0] == ends[1]:
            self.fault("carriers", f"names {ends[0]!r} twice; name two different carriers")
        return ends


def _real(value: object) -> float | None:
    """A finite number as a float; None for anything else, whole numbers beyond a float included."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def _shown(value: object) -> str:
    """A value of the document as it stands there, shortened: a message is one line."""
    if isinstance(value, int) and abs(value) >= 10**40:
        return "a number of more than 40 digits"
    text = json.dumps(value, ensure_ascii=False, default=repr)
    return text if len(text) <= 60 else text[:57] + "…"


def _slots(top: _Row) -> tuple[str, ...]:
    value = top.values.get("slots", [])
    if not isinstance(value, list):
        top.wrong("slots", "is not a list of names")
        return (ALWAYS,)
    seen: set[str] = set()
    for number, slot in enumerate(value):
        if not isinstance(slot, str) or not slot:
            top.fault(f"slots[{number}]", f"{_shown(slot)} is not a name; use text")
        elif slot in seen:
            top.fault(f"slots[{number}]", f"{_shown(slot)} stands twice")
        else:
            seen.add(slot)
    return tuple(slot for slot in value if isinstance(slot, str)) or (ALWAYS,)


def _ids(rows: list[_Row]) -> set[str]:
    seen: set[str] = set()
    for row in rows:
        identity = row.values.get("id")
        if isinstance(identity, str):
            if identity in seen:
                row.fault("id", f"{_shown(identity)} stands twice")
            seen.add(identity)
    return seen


def _zone(row: _Row) -> Zone:
    row.only("id hears passband")
    identity = row.text("id")
    passband = []
    for part in row.rows("passband"):
        part.only("low_hz high_hz")
        passband.append(part.range())
    return Zone(identity, _hears(row, identity), tuple(passband))


def _hears(row: _Row, identity: str) -> dict[str, float]:
    value = row.values.get("hears")
    if value is None:
        return {identity: 0.0}
    if not isinstance(value, dict):
        row.wrong("hears", "is not an object of zones and levels")
        return {}
    heard = _Row(row.faults, row.at("hears"), value)
    for other in value:
        if other not in row.known["zone"]:
            heard.fault(other, f"there is no zone {_shown(other)}")
    levels = {other: heard.real(other) for other in value}
    for other, level in levels.items():
        if level > 0:
            heard.wrong(other, "dB is above 0, the strongest carrier heard there; use 0 or less")
    return levels


def _carrier(row: _Row, slots: tuple[str, ...]) -> Carrier:
    row.only(
        "id zone sent_from received_in kind tuning bandwidth_hz slots priority level_db mixes fixed_hz previous_hz"
    )
    zone = row.text("zone")
    if zone and zone not in row.known["zone"]:
        row.wrong("zone", "is no zone of this problem")
    on = row.names_or("slots", "slot", slots)
    return Carrier(
        id=row.text("id"),
        zone=zone,
        sent_from=row.names_or("sent_from", "zone", (zone,)),
        received_in=row.names_or("received_in", "zone", (zone,)),
        kind=row.text("kind"),
        tuning=_tuning(row),
        bandwidth_hz=row.whole("bandwidth_hz", 0, MAX_HZ, default=0),
        slots=tuple(slot for slot in slots if slot in on),
        priority=row.whole("priority", 1, 9, default=2),
        level_db=row.real("level_db", default=0.0),
        mixes=row.flag("mixes", True),
        fixed_hz=row.optional_hertz("fixed_hz"),
        previous_hz=row.optional_hertz("previous_hz"),
    )


def _tuning(row: _Row) -> tuple[Tuning, ...]:
    if "tuning" not in row.values:
        row.fault("tuning", "missing; an empty list means that nothing can be tuned")
    ranges = []
    for part in row.rows("tuning"):
        part.only("low_hz high_hz step_hz")
        band = part.range()
        ranges.append(Tuning(band.low_hz, band.high_hz, part.whole("step_hz", 1, MAX_HZ, noun="a step")))
    points = sum(tuning.points for tuning in ranges)
    if points > MAX_POINTS:
        row.fault(
            "tuning", f"has {points} points; use at most {MAX_POINTS}, by a wider step or narrower ranges"
        )
    return tuple(ranges)


def _no_level_above_zero(zones: tuple[Zone, ...], carriers: tuple[Carrier, ...], rows: list[_Row]) -> None:
    loudest: dict[str, tuple[float, str]] = {}
    for zone in zones:
        for other, level in zone.hears.items():
            loudest[other] = max(loudest.get(other, (-math.inf, "")), (level, zone.id))
    for carrier, row in zip(carriers, rows, strict=True):
        level, where = max(
            (loudest[zone] for zone in carrier.sent_from if zone in loudest), default=(-math.inf, "")
        )
        if level <= 0 and carrier.level_db + level > 1e-9:
            row.wrong(
                "level_db",
                f"dB and the {level:g} dB at which {where} hears it are above 0; lower one of the two",
            )


def _separation(row: _Row) -> Separation:
    row.only("zones kinds carriers min_hz treatment weight")
    if "carriers" in row.values and ("zones" in row.values or "kinds" in row.values):
        row.fault("", "names two carriers as well as zones or kinds; use one of the two")
    elif "carriers" not in row.values and not ("zones" in row.values and "kinds" in row.values):
        row.fault("", "names nobody; use two zones and two kinds, or two carriers")
    # A matrix of spacings may speak of kinds that this event has no carrier of; the format asks for two names.
    kinds = row.values.get("kinds")
    named = (
        {entry for entry in kinds if isinstance(entry, str) and entry} if isinstance(kinds, list) else set()
    )
    row.known = {**row.known, "kind": row.known["kind"] | named}
    return Separation(
        zones=row.two("zones", "zone"),
        kinds=row.two("kinds", "kind"),
        carriers=row.two_carriers() if "carriers" in row.values else None,
        min_hz=row.whole("min_hz", 0, MAX_HZ, noun="a distance in hertz"),
        treatment=row.among("treatment", ("forbid", "penalise"), "forbid"),
        weight=row.weight(),
    )


def _blocked(row: _Row) -> Blocked:
    row.only("id low_hz high_hz zones kinds slots")
    band = row.range()
    return Blocked(
        id=row.text("id") if row.values.get("id") is not None else None,
        low_hz=band.low_hz,
        high_hz=band.high_hz,
        zones=row.scope("zones", "zone"),
        kinds=row.scope("kinds", "kind"),
        slots=row.scope("slots", "slot"),
    )


def _pair(row: _Row) -> Pair | None:
    row.only("carriers offset_hz either_way")
    ends = row.two_carriers()
    offset = row.whole("offset_hz", -MAX_HZ, MAX_HZ)
    either_way = row.flag("either_way", False)
    return Pair(*ends, offset, either_way) if ends else None


def _span(row: _Row) -> Span:
    row.only("carriers max_span_hz")
    if row.values.get("carriers") is None:
        row.wrong("carriers", "is not a list of carriers")
    elif row.values["carriers"] == []:
        row.fault("carriers", "an empty list names nobody; name the carriers or leave the row out")
    members = row.names_or("carriers", "carrier", ())
    return Span(members, row.whole("max_span_hz", 0, MAX_HZ, noun="a width in hertz"))


def _noise(row: _Row) -> Noise:
    row.only("zones kinds low_hz step_hz level_dbm reference_dbm weight")
    levels = row.values.get("level_dbm")
    if not isinstance(levels, list) or not levels:
        row.wrong("level_dbm", "is not a list of levels; use one or more")
        levels = []
    samples = [_real(level) for level in levels]
    for number, (level, sample) in enumerate(zip(levels, samples, strict=True)):
        if sample is None:
            row.fault(f"level_dbm[{number}]", f"{_shown(level)} is not a number")
    return Noise(
        zones=row.scope("zones", "zone"),
        kinds=row.scope("kinds", "kind"),
        low_hz=row.hertz("low_hz"),
        step_hz=row.whole("step_hz", 1, MAX_HZ, noun="a step"),
        level_dbm=tuple(sample or 0.0 for sample in samples),
        reference_dbm=row.real("reference_dbm"),
        weight=row.weight(),
    )


def _product(row: _Row) -> ProductRule:
    row.only("family guard_hz treatment limit_db weight made_in zones kinds")
    return ProductRule(
        family=row.among("family", FAMILIES),
        guard_hz=row.whole("guard_hz", 1, MAX_HZ, noun="a guard"),
        treatment=row.among("treatment", TREATMENTS),
        limit_db=row.real("limit_db", default=-40.0),
        weight=row.weight(),
        made_in=row.among("made_in", ("receivers", "transmitters"), "receivers"),
        zones=row.scope("zones", "zone"),
        kinds=row.scope("kinds", "kind"),
    )


def coefficients(family: str) -> tuple[int, ...]:
    """The coefficients of a family's letters: «2A-B» → (2, −1)."""
    found = re.findall(r"([+-]?)(\d*)[A-Z]", family)
    return tuple(int(f"{sign}{digits or 1}") for sign, digits in found)


def concerns(carrier: Carrier, zones: frozenset[str] | None, kinds: frozenset[str] | None) -> bool:
    """Whether a rule's zones and kinds (None: all) name a carrier."""
    return (kinds is None or carrier.kind in kinds) and (zones is None or bool(zones & carrier.stands))
