"""The planning problem (planning-problem/1): frozen rows with every default resolved, and the strict reading of a document.

Reading judges the whole document and names every fault at once, each with its path: a misspelt rule is never dropped.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

FORMAT = "planning-problem/1"
FAMILIES = ("2A-B", "A+B-C", "3A-2B", "3A-B-C", "2A+B-2C", "4A-3B")
TREATMENTS = ("forbid", "penalise", "ignore")
MAX_HZ = 10**12
MAX_POINTS = 2_000_000


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
        return float(10 ** (self.limit_db / 10) * (1 + 1e-6))


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


@dataclass
class _Reader:
    """Collects faults while values are taken out of the document."""

    faults: list[Fault] = field(default_factory=list)

    def fault(self, path: str, message: str) -> None:
        self.faults.append(Fault(path, message))

    def rows(self, document: Mapping[str, Any], name: str, keys: str) -> list[tuple[str, dict[str, Any]]]:
        """The objects of a list, each with its path; unknown keys are faults."""
        value = document.get(name)
        if value is None:
            return []
        if not isinstance(value, list):
            self.fault(name, "use a list")
            return []
        known, found = set(keys.split()), []
        for number, row in enumerate(value):
            path = f"{name}[{number}]"
            if not isinstance(row, dict):
                self.fault(path, "use an object")
                continue
            for key in row:
                if key not in known:
                    self.fault(f"{path}.{key}", f"there is no such key; use {', '.join(sorted(known))}")
            found.append((path, row))
        return found

    def text(self, row: Mapping[str, Any], path: str, name: str, *, required: bool = True) -> str:
        value = row.get(name)
        if isinstance(value, str) and value:
            return value
        if value is not None or required:
            self.fault(f"{path}.{name}", "missing" if value is None else f"{value!r} is not a name; use text")
        return ""

    def whole(
        self,
        row: Mapping[str, Any],
        path: str,
        name: str,
        low: int,
        high: int,
        default: int | None = None,
        noun: str = "",
    ) -> int:
        value = row.get(name)
        if value is None and name not in row and default is not None:
            return default
        if type(value) is not int:
            self.fault(f"{path}.{name}", "missing" if name not in row else f"{value!r} is not a whole number")
        elif not low <= value <= high:
            what = f"is not {noun}" if noun else "is out of range"
            self.fault(f"{path}.{name}", f"{value} {what}; use {low} … {high}")
        else:
            return value
        return max(low, min(high, default or low))

    def real(self, row: Mapping[str, Any], path: str, name: str, default: float | None = None) -> float:
        value = row.get(name)
        if value is None and name not in row and default is not None:
            return default
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            self.fault(f"{path}.{name}", "missing" if name not in row else f"{value!r} is not a number")
            return default or 0.0
        return float(value)

    def flag(self, row: Mapping[str, Any], path: str, name: str, default: bool) -> bool:
        value = row.get(name, default)
        if not isinstance(value, bool):
            self.fault(f"{path}.{name}", f"{value!r} is neither true nor false")
            return default
        return value

    def among(
        self, row: Mapping[str, Any], path: str, name: str, known: Iterable[str], default: str | None = None
    ) -> str:
        value = row.get(name, default)
        options = tuple(known)
        if value not in options or not isinstance(value, str):
            self.fault(
                f"{path}.{name}", "missing" if value is None else f"{value!r}; use {', '.join(options)}"
            )
            return options[0]
        return value

    def names(
        self,
        row: Mapping[str, Any],
        path: str,
        name: str,
        known: Mapping[str, Any] | set[str],
        what: str,
        count: int = 0,
    ) -> tuple[str, ...] | None:
        """A list of known names; None when absent. An empty list is a fault in a rule."""
        value = row.get(name)
        if value is None:
            return None
        if not isinstance(value, list):
            self.fault(f"{path}.{name}", "use a list of names")
            return None
        if not value:
            self.fault(f"{path}.{name}", "an empty list names nobody; leave it out to mean all")
        if count and len(value) != count:
            self.fault(f"{path}.{name}", f"has {len(value)} entries; use {count}")
            return None
        for number, entry in enumerate(value):
            if not isinstance(entry, str) or entry not in known:
                self.fault(f"{path}.{name}[{number}]", f"there is no {what} {entry!r}")
        return tuple(entry for entry in value if isinstance(entry, str))


ZONE_KEYS = "id hears passband"
CARRIER_KEYS = "id zone sent_from received_in kind tuning bandwidth_hz slots priority level_db mixes fixed_hz previous_hz"


def read_problem(document: object) -> Problem:
    """Read a document of the format. Raises MalformedProblem with every fault at once."""
    read = _Reader()
    if not isinstance(document, dict):
        raise MalformedProblem([Fault("", "the problem is not an object")])
    known = [
        "format",
        "note",
        "zones",
        "slots",
        "carriers",
        "separations",
        "blocked",
        "pairs",
        "spans",
        "noise",
        "products",
    ]
    for key in document:
        if key not in known:
            read.fault(str(key), f"there is no such key; use {', '.join(known)}")
    if document.get("format") != FORMAT:
        read.fault("format", f"{document.get('format')!r} is not known here; this solver reads {FORMAT}")
    for name in ("zones", "carriers"):
        if name not in document:
            read.fault(name, "missing")
    slots = _slots(read, document)
    zone_ids = _ids(read, document, "zones")
    kinds = {
        row["kind"]
        for _, row in read.rows({"c": document.get("carriers")}, "c", CARRIER_KEYS)
        if isinstance(row.get("kind"), str)
    }
    read.faults = [fault for fault in read.faults if not fault.path.startswith("c[") and fault.path != "c"]
    carrier_ids = _ids(read, document, "carriers")
    zones = _zones(read, document, zone_ids)
    carriers = _carriers(read, document, zone_ids, slots)
    _no_level_above_zero(read, zones, carriers)
    names = _Names(zone_ids, kinds, set(slots), carrier_ids)
    problem = Problem(
        zones=tuple(zones),
        slots=slots,
        carriers=tuple(carriers),
        separations=_separations(read, document, names),
        blocked=_blocked(read, document, names),
        pairs=_pairs(read, document, names),
        spans=_spans(read, document, names),
        noise=_noise(read, document, names),
        products=_products(read, document, names),
    )
    if read.faults:
        raise MalformedProblem(read.faults)
    return problem


@dataclass(frozen=True)
class _Names:
    zones: set[str]
    kinds: set[str]
    slots: set[str]
    carriers: set[str]


def _slots(read: _Reader, document: Mapping[str, Any]) -> tuple[str, ...]:
    value = document.get("slots")
    if value is None or value == []:
        return ("always",)
    if not isinstance(value, list):
        read.fault("slots", "use a list of names")
        return ("always",)
    for number, slot in enumerate(value):
        if not isinstance(slot, str) or not slot:
            read.fault(f"slots[{number}]", f"{slot!r} is not a name; use text")
        elif value.index(slot) != number:
            read.fault(f"slots[{number}]", f"{slot!r} stands twice")
    return tuple(slot for slot in value if isinstance(slot, str))


def _ids(read: _Reader, document: Mapping[str, Any], name: str) -> set[str]:
    seen: set[str] = set()
    rows = document.get(name)
    for number, row in enumerate(rows if isinstance(rows, list) else []):
        identity = row.get("id") if isinstance(row, dict) else None
        if isinstance(identity, str):
            if identity in seen:
                read.fault(f"{name}[{number}].id", f"{identity!r} stands twice")
            seen.add(identity)
    return seen


def _zones(read: _Reader, document: Mapping[str, Any], ids: set[str]) -> list[Zone]:
    zones = []
    for path, row in read.rows(document, "zones", ZONE_KEYS):
        identity = read.text(row, path, "id")
        hears: dict[str, float] = {identity: 0.0}
        if row.get("hears") is not None:
            hears = {}
            if not isinstance(row["hears"], dict):
                read.fault(f"{path}.hears", "use an object of zones and levels")
            else:
                for other in row["hears"]:
                    if other not in ids:
                        read.fault(f"{path}.hears.{other}", f"there is no zone {other!r}")
                    level = read.real(row["hears"], f"{path}.hears", other)
                    if level > 0:
                        read.fault(f"{path}.hears.{other}", f"{level} dB; 0 is the strongest, use 0 or less")
                    hears[other] = level
        passband = tuple(
            Band(low, high)
            for part, band in read.rows(
                {f"{path}.passband": row.get("passband")}, f"{path}.passband", "low_hz high_hz"
            )
            for low, high in [_range(read, band, part)]
        )
        zones.append(Zone(identity, hears, passband))
    return zones


def _range(read: _Reader, row: Mapping[str, Any], path: str) -> tuple[int, int]:
    low = read.whole(row, path, "low_hz", 1, MAX_HZ)
    high = read.whole(row, path, "high_hz", 1, MAX_HZ)
    if high < low and type(row.get("low_hz")) is int and type(row.get("high_hz")) is int:
        read.fault(f"{path}.high_hz", f"{high} lies below low_hz {low}")
    return low, max(low, high)


def _carriers(
    read: _Reader, document: Mapping[str, Any], zones: set[str], slots: tuple[str, ...]
) -> list[Carrier]:
    carriers = []
    for path, row in read.rows(document, "carriers", CARRIER_KEYS):
        zone = read.text(row, path, "zone")
        if zone and zone not in zones:
            read.fault(f"{path}.zone", f"there is no zone {zone!r}")
        on = read.names(row, path, "slots", set(slots), "slot") if row.get("slots") else None
        carriers.append(
            Carrier(
                id=read.text(row, path, "id"),
                zone=zone,
                sent_from=(
                    read.names(row, path, "sent_from", zones, "zone") if row.get("sent_from") else None
                )
                or (zone,),
                received_in=(
                    read.names(row, path, "received_in", zones, "zone") if row.get("received_in") else None
                )
                or (zone,),
                kind=read.text(row, path, "kind"),
                tuning=_tuning(read, row, path),
                bandwidth_hz=read.whole(row, path, "bandwidth_hz", 0, MAX_HZ, 0),
                slots=tuple(slot for slot in slots if slot in on) if on else slots,
                priority=read.whole(row, path, "priority", 1, 9, 2),
                level_db=read.real(row, path, "level_db", 0.0),
                mixes=read.flag(row, path, "mixes", True),
                fixed_hz=None
                if row.get("fixed_hz") is None
                else read.whole(row, path, "fixed_hz", 1, MAX_HZ),
                previous_hz=None
                if row.get("previous_hz") is None
                else read.whole(row, path, "previous_hz", 1, MAX_HZ),
            )
        )
    return carriers


def _tuning(read: _Reader, row: Mapping[str, Any], path: str) -> tuple[Tuning, ...]:
    if "tuning" not in row:
        read.fault(f"{path}.tuning", "missing")
        return ()
    ranges = []
    points = 0
    for part, entry in read.rows(
        {f"{path}.tuning": row["tuning"]}, f"{path}.tuning", "low_hz high_hz step_hz"
    ):
        low, high = _range(read, entry, part)
        tuning = Tuning(low, high, read.whole(entry, part, "step_hz", 1, MAX_HZ, noun="a step"))
        points += tuning.points
        ranges.append(tuning)
    if row["tuning"] is None:
        read.fault(f"{path}.tuning", "use a list of ranges")
    if points > MAX_POINTS:
        read.fault(f"{path}.tuning", f"{points:,} points; at most {MAX_POINTS:,}")
    return tuple(ranges)


def _no_level_above_zero(read: _Reader, zones: list[Zone], carriers: list[Carrier]) -> None:
    loudest: dict[str, float] = {}
    for zone in zones:
        for other, level in zone.hears.items():
            loudest[other] = max(loudest.get(other, -math.inf), level)
    for number, carrier in enumerate(carriers):
        worst = max((loudest.get(zone, -math.inf) for zone in carrier.sent_from), default=-math.inf)
        if carrier.level_db + worst > 1e-9:
            read.fault(
                f"carriers[{number}].level_db",
                f"{carrier.level_db} dB on top of {worst} dB is above 0; lower one of the two",
            )


def _scope(
    read: _Reader, row: Mapping[str, Any], path: str, names: _Names
) -> tuple[frozenset[str] | None, frozenset[str] | None]:
    zones = read.names(row, path, "zones", names.zones, "zone")
    kinds = read.names(row, path, "kinds", names.kinds, "kind")
    return (frozenset(zones) if zones is not None else None, frozenset(kinds) if kinds is not None else None)


def _separations(read: _Reader, document: Mapping[str, Any], names: _Names) -> tuple[Separation, ...]:
    rows = []
    for path, row in read.rows(document, "separations", "zones kinds carriers min_hz treatment weight"):
        carriers = _two(read, row, path, "carriers", names.carriers, "carrier")
        # A kind that no carrier here has cannot be misspelt into effect; the format asks for two names.
        kinds = _two(read, row, path, "kinds", names.kinds, "kind", must_exist=False)
        zones = _two(read, row, path, "zones", names.zones, "zone")
        if "carriers" in row and ("zones" in row or "kinds" in row):
            read.fault(path, "name two carriers, or zones and kinds, not both")
        elif "carriers" not in row and not ("zones" in row and "kinds" in row):
            read.fault(path, "name two carriers, or zones and kinds")
        if carriers and carriers[0] == carriers[1]:
            read.fault(f"{path}.carriers", "names the same carrier twice")
        rows.append(
            Separation(
                zones=zones,
                kinds=kinds,
                carriers=carriers,
                min_hz=read.whole(row, path, "min_hz", 0, MAX_HZ),
                treatment=read.among(row, path, "treatment", TREATMENTS[:2], "forbid"),
                weight=_weight(read, row, path),
            )
        )
    return tuple(rows)


def _two(
    read: _Reader,
    row: Mapping[str, Any],
    path: str,
    name: str,
    known: set[str],
    what: str,
    must_exist: bool = True,
) -> tuple[str, str] | None:
    if name not in row:
        return None
    if not must_exist and isinstance(row[name], list):
        known = known | {entry for entry in row[name] if isinstance(entry, str) and entry}
    found = read.names(row, path, name, known, what, count=2)
    return (found[0], found[1]) if found and len(found) == 2 else None


def _weight(read: _Reader, row: Mapping[str, Any], path: str) -> float:
    weight = read.real(row, path, "weight", 1.0)
    if weight < 0:
        read.fault(f"{path}.weight", f"{weight} is below 0")
    return weight


def _blocked(read: _Reader, document: Mapping[str, Any], names: _Names) -> tuple[Blocked, ...]:
    rows = []
    for path, row in read.rows(document, "blocked", "id low_hz high_hz zones kinds slots"):
        zones, kinds = _scope(read, row, path, names)
        slots = read.names(row, path, "slots", names.slots, "slot")
        low, high = _range(read, row, path)
        identity = read.text(row, path, "id", required=False) or None
        rows.append(
            Blocked(identity, low, high, zones, kinds, frozenset(slots) if slots is not None else None)
        )
    return tuple(rows)


def _pairs(read: _Reader, document: Mapping[str, Any], names: _Names) -> tuple[Pair, ...]:
    rows = []
    for path, row in read.rows(document, "pairs", "carriers offset_hz either_way"):
        if "carriers" not in row:
            read.fault(f"{path}.carriers", "missing")
        ends = _two(read, row, path, "carriers", names.carriers, "carrier")
        offset = read.whole(row, path, "offset_hz", -MAX_HZ, MAX_HZ)
        either = read.flag(row, path, "either_way", False)
        if ends and ends[0] == ends[1]:
            read.fault(f"{path}.carriers", "names the same carrier twice")
        if ends:
            rows.append(Pair(*ends, offset, either))
    return tuple(rows)


def _spans(read: _Reader, document: Mapping[str, Any], names: _Names) -> tuple[Span, ...]:
    rows = []
    for path, row in read.rows(document, "spans", "carriers max_span_hz"):
        if "carriers" not in row:
            read.fault(f"{path}.carriers", "missing")
        members = read.names(row, path, "carriers", names.carriers, "carrier") or ()
        rows.append(Span(members, read.whole(row, path, "max_span_hz", 0, MAX_HZ)))
    return tuple(rows)


def _noise(read: _Reader, document: Mapping[str, Any], names: _Names) -> tuple[Noise, ...]:
    rows = []
    for path, row in read.rows(
        document, "noise", "zones kinds low_hz step_hz level_dbm reference_dbm weight"
    ):
        zones, kinds = _scope(read, row, path, names)
        levels = row.get("level_dbm")
        if not isinstance(levels, list) or not levels:
            read.fault(f"{path}.level_dbm", "use a list of levels")
            levels = [0.0]
        for number, level in enumerate(levels):
            if isinstance(level, bool) or not isinstance(level, int | float) or not math.isfinite(level):
                read.fault(f"{path}.level_dbm[{number}]", f"{level!r} is not a number")
        numbers = tuple(float(x) if isinstance(x, int | float) else 0.0 for x in levels)
        low = read.whole(row, path, "low_hz", 1, MAX_HZ)
        step = read.whole(row, path, "step_hz", 1, MAX_HZ, noun="a step")
        reference = read.real(row, path, "reference_dbm")
        rows.append(Noise(zones, kinds, low, step, numbers, reference, _weight(read, row, path)))
    return tuple(rows)


def _products(read: _Reader, document: Mapping[str, Any], names: _Names) -> tuple[ProductRule, ...]:
    rows = []
    for path, row in read.rows(
        document, "products", "family guard_hz treatment limit_db weight made_in zones kinds"
    ):
        zones, kinds = _scope(read, row, path, names)
        rows.append(
            ProductRule(
                family=read.among(row, path, "family", FAMILIES),
                guard_hz=read.whole(row, path, "guard_hz", 1, MAX_HZ, noun="a guard"),
                treatment=read.among(row, path, "treatment", TREATMENTS),
                limit_db=read.real(row, path, "limit_db", -40.0),
                weight=_weight(read, row, path),
                made_in=read.among(row, path, "made_in", ("receivers", "transmitters"), "receivers"),
                zones=zones,
                kinds=kinds,
            )
        )
    return tuple(rows)


def concerns(carrier: Carrier, zones: frozenset[str] | None, kinds: frozenset[str] | None) -> bool:
    """Whether a rule's zones and kinds (None: all) name a carrier."""
    return (kinds is None or carrier.kind in kinds) and (zones is None or bool(zones & carrier.stands))
