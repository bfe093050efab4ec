"""Zones from maps and to maps (GeoJSON, RFC 7946): degrees at this edge, metres east and north of the origin inside.

A point is where a zone's antennas are. A polygon is its outline; its antennas are where its property `antennas` says, or
else at its centroid. Reading judges every feature against the zones that are there; nothing here writes rows.
"""

import hashlib
import json
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from django.utils.text import slugify

from apps.common.errors import Conflict, Fault, Faulty
from apps.events import rules
from apps.events.forms import NewZoneForm, ZoneForm
from apps.events.geodesy import MAX_M, Origin
from apps.events.models import Event, Zone

MEDIA_TYPE = "application/geo+json"  # RFC 7946, 12
MAX_BYTES = 2_000_000
MAX_FEATURES = 1_000
MAX_CORNERS = 2_000  # of one outline
DECIMALS_DEG = 8  # a millimetre
DECIMALS_M = 2
CRS84 = "urn:ogc:def:crs:OGC::CRS84"
# What a property may set of a zone, beside its place. Others are somebody else's and are passed over.
PROPERTIES = tuple(name for name in ZoneForm.base_fields if name not in ("east_m", "north_m"))

Ring = list[list[float]]


def origin_of(event: Event) -> Origin:
    """The point from which the event's zones are measured. Raises Conflict when nobody has said where it lies."""
    if event.latitude_deg is None or event.longitude_deg is None:
        raise Conflict(
            "The event's origin has no latitude and longitude yet; a coordinator gives them on the event's set-up page."
        )
    return Origin(event.latitude_deg, event.longitude_deg)


# -- reading --------------------------------------------------------------------------------


class Status(StrEnum):
    NEW = "new"
    CHANGED = "changed"
    UNCHANGED = "unchanged"
    FAULTY = "faulty"


@dataclass
class Placed:
    """One feature's verdict: the zone that it means, the fields it would set, what of them differs ({field: [old, new]})."""

    row: int
    code: str = ""
    zone: Zone | None = None
    values: dict[str, Any] = field(default_factory=dict)
    changes: dict[str, list[Any]] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)

    @property
    def status(self) -> Status:
        if self.faults:
            return Status.FAULTY
        if self.zone is None:
            return Status.NEW
        return Status.CHANGED if self.changes else Status.UNCHANGED

    @property
    def name(self) -> str:
        return str(self.values.get("name") or (self.zone.name if self.zone else self.code))

    def fault(self, name: str, value: Any, message: str) -> None:
        self.faults.append(Fault(self.row, name, "" if value is None else str(value)[:100], message))


def read_map(content: bytes | str, event: Event, zones: Iterable[Zone]) -> list[Placed]:
    """Judge every feature of a map against the event's zones. Reads only.

    Raises Faulty when the map cannot be taken as a whole, Conflict when the event has no origin. A feature means the zone
    of its property `code`, else the zone of its name, else the one of its id.
    """
    origin = origin_of(event)
    known = {zone.code: zone for zone in zones}
    read = [_read(feature, row, origin, known) for row, feature in enumerate(_features(content), 1)]
    first: dict[str, int] = {}
    for placed in read:
        if placed.code and first.setdefault(placed.code, placed.row) != placed.row:
            placed.fault(
                "code",
                placed.code,
                f"Feature {first[placed.code]} is the same zone; keep one, or give it another code.",
            )
    return read


def fingerprint(read: Iterable[Placed]) -> str:
    """The same for verdicts that would write the same: what a page showed is what is saved, or nothing is."""
    said = [(placed.code, placed.status.value, placed.changes) for placed in read]
    return hashlib.sha256(repr(said).encode()).hexdigest()[:16]


def _features(content: bytes | str) -> list[Any]:
    if len(content) > MAX_BYTES:
        raise _refused(
            "", f"The map is too large; at most {MAX_BYTES:,} bytes are taken. Leave out what is no zone."
        )
    try:
        document = json.loads(content, parse_constant=_no_number)
    except (ValueError, RecursionError) as error:
        raise _refused("", f"This is no GeoJSON: {error}. Export the zones as GeoJSON (RFC 7946).") from None
    kind = document.get("type") if isinstance(document, dict) else None
    if kind not in ("FeatureCollection", "Feature"):
        raise _refused(
            str(kind or ""),
            "Give a FeatureCollection: a Feature for each zone, each with a Point or a Polygon.",
        )
    crs = document.get("crs")
    if crs and CRS84 not in json.dumps(crs).replace("1.3:", ":"):
        raise _refused(
            "crs", "The map names another reference system; RFC 7946 takes WGS 84 alone. Export it in that."
        )
    features = [document] if kind == "Feature" else document.get("features")
    if not isinstance(features, list) or not features:
        raise _refused("features", "The map holds no feature; draw a point or a polygon for each zone.")
    if len(features) > MAX_FEATURES:
        raise _refused(
            f"{len(features):,} features", f"At most {MAX_FEATURES:,} are taken; leave out what is no zone."
        )
    return features


def _no_number(name: str) -> float:
    raise ValueError(f"{name} is no number")


def _refused(value: str, message: str) -> Faulty:
    return Faulty([Fault(0, "map", value, message)])


def _read(feature: Any, row: int, origin: Origin, known: Mapping[str, Zone]) -> Placed:
    placed = Placed(row)
    if not isinstance(feature, dict) or feature.get("type") != "Feature":
        placed.fault("type", feature.get("type") if isinstance(feature, dict) else "", "Not a Feature.")
        return placed
    properties = feature.get("properties")
    properties = properties if isinstance(properties, dict) else {}
    _identify(placed, feature, properties, known)
    place = _place(placed, feature.get("geometry"), properties.get("antennas"), origin)
    given = {name: properties[name] for name in PROPERTIES if properties.get(name) is not None}
    _judge(placed, given, place)
    return placed


def _identify(
    placed: Placed, feature: Mapping[str, Any], properties: Mapping[str, Any], known: Mapping[str, Zone]
) -> None:
    name = str(properties.get("name") or "").strip()
    by_name = {zone.name.casefold(): zone.code for zone in known.values()}
    by_code = {code.casefold(): code for code in known}
    code = str(properties.get("code") or "").strip()
    named = by_name.get(name.casefold()) if name else None
    code = code or named or str(feature.get("id") or "").strip() or slugify(name)[:32].strip("-")
    if not code:
        placed.fault(
            "code", "", "Nothing says which zone this is; give the feature a property «code» or «name»."
        )
    placed.code = by_code.get(code.casefold(), code)
    placed.zone = known.get(placed.code)


def _judge(placed: Placed, given: dict[str, Any], place: dict[str, Any]) -> None:
    """Hold what is given against the form of a zone, so that a map may say no more than a person."""
    zone = placed.zone
    before = {name: getattr(zone, name) if zone else None for name in (*PROPERTIES, "east_m", "north_m")}
    fresh = {name: field.initial for name, field in ZoneForm.base_fields.items()} | {
        "name": placed.code or "x"
    }
    asked = (before if zone else fresh) | given | {name: place.get(name, 0) for name in ("east_m", "north_m")}
    form = NewZoneForm({"code": placed.code or "x", **asked})
    for name, errors in form.errors.items():
        placed.fault(name, asked.get(name, placed.code), " ".join(str(error) for error in errors))
    if "indoor" in given and not isinstance(given["indoor"], bool):
        placed.fault("indoor", given["indoor"], "Use true or false.")
    if placed.faults:
        return
    values = {name: form.cleaned_data[name] for name in (*PROPERTIES, "east_m", "north_m")}
    distances = (values[name] for name in ("own_distance_m", "nearest_m", "farthest_m"))
    for fault in rules.faults_in_distances(*distances):
        placed.fault(fault.field, fault.value, fault.message)
    if placed.faults:
        return
    placed.values = values | {"outline": place["outline"]}
    placed.changes = {
        name: [getattr(zone, name) if zone else None, value]
        for name, value in placed.values.items()
        if zone is None or not _same(getattr(zone, name), value)
    }


def _same(old: Any, new: Any) -> bool:
    """A centimetre is lost between metres and degrees, and no zone is known better."""
    if isinstance(new, float) and isinstance(old, int | float):
        return math.isclose(old, new, abs_tol=10**-DECIMALS_M)
    if isinstance(new, list):
        return len(old) == len(new) and all(map(_same, old, new))
    return bool(old == new)


# -- geometry -------------------------------------------------------------------------------


def _place(placed: Placed, geometry: Any, antennas: Any, origin: Origin) -> dict[str, Any]:
    """{east_m, north_m, outline} of a geometry; faults where there is none."""
    kind = geometry.get("type") if isinstance(geometry, dict) else None
    coordinates = geometry.get("coordinates") if isinstance(geometry, dict) else None
    if kind == "Point":
        at = _metres(placed, coordinates, origin)
        return {"east_m": at[0], "north_m": at[1], "outline": []} if at else {}
    if kind != "Polygon":
        told = f"A {kind} is no zone; " if kind else "It has no place; "
        placed.fault("geometry", kind, told + "give it a Point or a Polygon.")
        return {}
    rings = list(_rings(placed, coordinates, origin))
    if placed.faults:
        return {}
    at = _metres(placed, antennas, origin) if antennas is not None else _centroid(rings)
    if at is None and not placed.faults:
        placed.fault("geometry", "", "The polygon encloses no area; draw its corners one after the other.")
    return {"east_m": at[0], "north_m": at[1], "outline": rings} if at else {}


def _rings(placed: Placed, coordinates: Any, origin: Origin) -> Iterator[Ring]:
    """The outline and its holes in metres, without the corner that is repeated at the end (RFC 7946, 3.1.6)."""
    if not isinstance(coordinates, list) or not coordinates:
        placed.fault("geometry", "", "The polygon has no ring; its coordinates are a list of rings.")
        return
    for ring in coordinates:
        if not isinstance(ring, list) or len(ring) < 4 or ring[0] != ring[-1]:
            placed.fault(
                "geometry",
                "",
                "A ring has four positions or more, and its last is its first; close the polygon.",
            )
            return
        if len(ring) > MAX_CORNERS:
            placed.fault(
                "geometry",
                f"{len(ring):,} corners",
                f"At most {MAX_CORNERS:,} are taken; simplify the outline.",
            )
            return
        corners = [_metres(placed, position, origin) for position in ring[:-1]]
        if placed.faults:
            return
        yield [list(corner) for corner in corners if corner]


def _metres(placed: Placed, position: Any, origin: Origin) -> tuple[float, float] | None:
    good = isinstance(position, list) and len(position) >= 2 and all(_is_number(part) for part in position)
    if not good:
        placed.fault(
            "geometry", position, "A position is a longitude and a latitude in degrees: [16.37, 48.2]."
        )
        return None
    longitude, latitude = float(position[0]), float(position[1])
    if abs(longitude) > 180 or abs(latitude) > 90:
        hint = (
            "; latitude and longitude seem swapped" if abs(latitude) <= 180 and abs(longitude) <= 90 else ""
        )
        placed.fault(
            "geometry", position, f"Not on this earth{hint}: longitude comes first, ±180, then latitude, ±90."
        )
        return None
    if origin.is_far(latitude, longitude):
        swapped = abs(longitude) <= 90 and not origin.is_far(longitude, latitude)
        hint = (
            "Latitude and longitude seem swapped; longitude comes first."
            if swapped
            else "Look at it, and at the origin."
        )
        placed.fault("geometry", position, f"More than {MAX_M // 1000} km from the event's origin. {hint}")
        return None
    east, north = origin.metres(latitude, longitude)
    return round(east, DECIMALS_M) + 0.0, round(north, DECIMALS_M) + 0.0


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _centroid(rings: list[Ring]) -> tuple[float, float] | None:
    """The centre of the area within the first ring and outside the others; None where that is none."""
    area = east = north = 0.0
    for number, ring in enumerate(rings):
        part, x, y = _moments(ring)
        sign = 1 if number == 0 else -1
        area, east, north = area + sign * part, east + sign * x, north + sign * y
    if area < 1:
        return None
    return round(east / area, DECIMALS_M) + 0.0, round(north / area, DECIMALS_M) + 0.0


def _moments(ring: Ring) -> tuple[float, float, float]:
    """(area, area · east, area · north) of a ring, whichever way it turns: the surveyor's formula."""
    area = east = north = 0.0
    for (x, y), (u, v) in zip(ring, ring[1:] + ring[:1], strict=True):
        cross = x * v - u * y
        area, east, north = area + cross / 2, east + (x + u) * cross / 6, north + (y + v) * cross / 6
    return (area, east, north) if area >= 0 else (-area, -east, -north)


# -- writing --------------------------------------------------------------------------------


def write_map(event: Event, zones: Iterable[Zone]) -> bytes:
    """The zones as a FeatureCollection that reads back to the same zones. Raises Conflict when the event has no origin."""
    origin = origin_of(event)
    features = [_feature(zone, origin) for zone in zones]
    return json.dumps(
        {"type": "FeatureCollection", "features": features}, ensure_ascii=False, indent=1
    ).encode()


def _feature(zone: Zone, origin: Origin) -> dict[str, Any]:
    at = _degrees(origin, zone.east_m, zone.north_m)
    properties = {"code": zone.code, **{name: getattr(zone, name) for name in PROPERTIES}}
    geometry: dict[str, Any] = {"type": "Point", "coordinates": at}
    if zone.outline:
        geometry = {
            "type": "Polygon",
            "coordinates": [_ring(ring, number, origin) for number, ring in enumerate(zone.outline)],
        }
        properties["antennas"] = at
    return {"type": "Feature", "id": zone.code, "geometry": geometry, "properties": properties}


def _ring(ring: Ring, number: int, origin: Origin) -> list[list[float]]:
    """Closed, and turning as RFC 7946, 3.1.6 asks: outlines against the clock, holes with it."""
    against_the_clock = (
        sum(x * v - u * y for (x, y), (u, v) in zip(ring, ring[1:] + ring[:1], strict=True)) > 0
    )
    turned = ring if against_the_clock == (number == 0) else ring[::-1]
    corners = [_degrees(origin, east, north) for east, north in turned]
    return [*corners, corners[0]]


def _degrees(origin: Origin, east_m: float, north_m: float) -> list[float]:
    latitude, longitude = origin.degrees(east_m, north_m)
    return [round(longitude, DECIMALS_DEG), round(latitude, DECIMALS_DEG)]
