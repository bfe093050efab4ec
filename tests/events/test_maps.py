"""Zones from maps and to maps, against RFC 7946 and its examples and against the EPSG register's worked example."""

import json
from itertools import pairwise
from math import dist
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from hypothesis import given, settings
from hypothesis import strategies as st

from apps.common.errors import Conflict, Faulty, Forbidden
from apps.events import actions
from apps.events.geodesy import Origin
from apps.events.maps import Status, fingerprint, read_map, write_map
from apps.events.models import Event, Zone
from apps.journal.models import Entry
from tests.registry.test_pages import hidden, text
from tests.site import Site, make_site

pytestmark = pytest.mark.django_db  # what files write runs on every database by its own tests
BASE = "/e/harbour-days/set-up/map/"
HERE = Origin(48.2, 16.37)

# The FeatureCollection of RFC 7946, 1.5, and the polygons of its appendix A.3 (from memory of its text).
RFC = {
    "type": "FeatureCollection",
    "features": [
        {"type": "Feature", "geometry": {"type": "Point", "coordinates": [102.0, 0.5]}, "properties": {"prop0": "value0"}},
        {
            "type": "Feature",
            "geometry": {"type": "LineString", "coordinates": [[102.0, 0.0], [103.0, 1.0], [104.0, 0.0], [105.0, 1.0]]},
            "properties": {"prop0": "value0", "prop1": 0.0},
        },
        {
            "type": "Feature",
            "geometry": {
                "type": "Polygon", "coordinates": [[[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]]],
            },
            "properties": {"prop0": "value0", "prop1": {"this": "that"}},
        },
    ],
}  # fmt: skip
WITH_HOLE = [
    [[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]],
    [[100.8, 0.8], [100.8, 0.2], [100.2, 0.2], [100.2, 0.8], [100.8, 0.8]],
]


@pytest.fixture
def site() -> Site:
    return make_site(latitude_deg=HERE.latitude_deg, longitude_deg=HERE.longitude_deg)


def event(latitude_deg: float | None = 0.5, longitude_deg: float | None = 100.5) -> Event:
    return Event(latitude_deg=latitude_deg, longitude_deg=longitude_deg)


def feature(geometry: Any, **properties: Any) -> dict[str, Any]:
    return {"type": "Feature", "geometry": geometry, "properties": {"code": "field", **properties}}


def point(east_m: float, north_m: float, origin: Origin = HERE) -> dict[str, Any]:
    return {"type": "Point", "coordinates": position(east_m, north_m, origin)}


def position(east_m: float, north_m: float, origin: Origin = HERE) -> list[float]:
    return list(reversed(origin.degrees(east_m, north_m)))


def polygon(*corners: tuple[float, float]) -> dict[str, Any]:
    return {"type": "Polygon", "coordinates": [[position(*corner) for corner in (*corners, corners[0])]]}


def a_map(*features: Any) -> bytes:
    return json.dumps({"type": "FeatureCollection", "features": list(features)}).encode()


# -- metres and degrees ---------------------------------------------------------------------


def test_metres_are_those_of_the_epsg_registers_worked_example() -> None:
    """Method 9837, geocentric to topocentric, IOGP Guidance Note 373-7-2 (figures from memory): WGS 84, origin 55° N 5° E
    200 m up; the point 53°48'33.82" N 2°07'46.38" E 73 m up lies at U = -189013.869, V = -128642.040 m."""
    point = 53 + 48 / 60 + 33.82 / 3600, 2 + 7 / 60 + 46.38 / 3600
    east, north = Origin(55, 5).metres(*point, up_m=73, own_up_m=200)
    assert (east, north) == (pytest.approx(-189_013.869, abs=0.002), pytest.approx(-128_642.040, abs=0.002))


@settings(max_examples=100, deadline=None)
@given(st.floats(-80, 80), st.floats(-180, 180), st.floats(-70_000, 70_000), st.floats(-70_000, 70_000))
def test_degrees_lead_back_to_the_same_metres(
    latitude: float, longitude: float, east: float, north: float
) -> None:
    origin = Origin(latitude, longitude)
    assert dist(origin.metres(*origin.degrees(east, north)), (east, north)) < 0.001


def test_the_other_side_of_the_earth_is_far() -> None:
    assert HERE.is_far(-HERE.latitude_deg, HERE.longitude_deg - 180)
    assert not HERE.is_far(48.3, 16.5)


# -- reading --------------------------------------------------------------------------------


def test_the_example_of_rfc_7946_is_read_as_far_as_it_holds_zones() -> None:
    """Its point and polygon are places; its line is none. A degree is 111.32 km at the equator: the radius times pi / 180."""
    far, line, square = read_map(json.dumps(RFC), event(), [])
    assert "Nothing says which zone" in far.faults[0].message
    assert "More than 100 km" in far.faults[1].message
    assert "LineString is no zone" in line.faults[-1].message
    named = json.loads(json.dumps(RFC["features"][2])) | {"id": 7}
    (square,) = read_map(json.dumps(named), event(), [])
    assert (square.code, square.status) == ("7", Status.NEW)
    assert (square.values["east_m"], square.values["north_m"]) == pytest.approx((0, 0), abs=5)
    west, south = square.values["outline"][0][0]
    assert (west, south) == pytest.approx((-55_660, -55_290), abs=20)
    assert len(square.values["outline"][0]) == 4


def test_a_hole_is_part_of_no_zone() -> None:
    """Appendix A.3: the same square with a hole in its middle; its centre stays, its outline has two rings."""
    (one,) = read_map(json.dumps(feature({"type": "Polygon", "coordinates": WITH_HOLE})), event(), [])
    assert len(one.values["outline"]) == 2
    assert (one.values["east_m"], one.values["north_m"]) == pytest.approx((0, 0), abs=5)


def test_antennas_are_where_the_map_says_or_at_the_centre() -> None:
    """Three squares in the shape of an L have their centre at 5/6 of a side."""
    shape = [(0, 0), (1200, 0), (1200, 600), (600, 600), (600, 1200), (0, 1200)]
    for corners in (shape, shape[::-1]):
        (one,) = read_map(a_map(feature(polygon(*corners))), event(48.2, 16.37), [])
        assert (one.values["east_m"], one.values["north_m"]) == pytest.approx((500, 500), abs=0.02)
    (one,) = read_map(a_map(feature(polygon(*shape), antennas=position(-40, 10))), event(48.2, 16.37), [])
    assert (one.values["east_m"], one.values["north_m"]) == pytest.approx((-40, 10), abs=0.02)


def ring(*corners: list[float]) -> dict[str, Any]:
    return {"type": "Polygon", "coordinates": [list(corners)]}


@pytest.mark.parametrize(
    ("geometry", "more", "said"),
    [
        (None, {}, "has no place"),
        ({"type": "MultiPolygon", "coordinates": []}, {}, "MultiPolygon is no zone"),
        ({"type": "Point", "coordinates": [16.37]}, {}, "a longitude and a latitude"),
        ({"type": "Point", "coordinates": ["16.37", 48.2]}, {}, "a longitude and a latitude"),
        ({"type": "Point", "coordinates": [48.2, 16.37]}, {}, "swapped"),
        ({"type": "Point", "coordinates": [16.37, 148.2]}, {}, "swapped"),
        ({"type": "Point", "coordinates": [2.35, 48.86]}, {}, "More than 100 km"),
        (ring([16.37, 48.2], [16.38, 48.2], [16.37, 48.2]), {}, "four positions or more"),
        (ring([16.37, 48.2], [16.38, 48.2], [16.38, 48.3], [16.37, 48.3]), {}, "close the polygon"),
        (ring([16.37, 48.2], [16.38, 48.2], [16.38, 48.2], [16.37, 48.2]), {}, "encloses no area"),
        ({"type": "Polygon", "coordinates": []}, {}, "has no ring"),
        (point(0, 0), {"antenna_height_m": -3}, "greater than or equal to 0"),
        (point(0, 0), {"own_distance_m": "far"}, "Enter a number"),
        (point(0, 0), {"own_distance_m": 30, "nearest_m": 40}, "no farther than usual"),
        (point(0, 0), {"indoor": "perhaps"}, "true or false"),
        (point(0, 0), {"code": "no such code!"}, "letters, digits and hyphens"),
    ],
)
def test_what_makes_no_zone_is_named(geometry: Any, more: dict[str, Any], said: str) -> None:
    (one,) = read_map(a_map(feature(geometry, **more)), event(48.2, 16.37), [])
    assert one.status == Status.FAULTY
    assert any(said in fault.message and fault.row == 1 for fault in one.faults), one.faults


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("", "no GeoJSON"),
        ("{", "no GeoJSON"),
        ("[" * 100_000, "no GeoJSON"),
        ('{"type": "Feature", "geometry": {"type": "Point", "coordinates": [NaN, 1]}}', "NaN is no number"),
        ('{"type": "Topology"}', "FeatureCollection"),
        ('{"type": "FeatureCollection", "features": []}', "no feature"),
        ('{"type": "FeatureCollection", "features": {}}', "no feature"),
        # RFC 7946, 4: other reference systems are no longer possible.
        ('{"type": "FeatureCollection", "features": [{}], "crs": {"type": "name", "properties": {"name": "x"}}}', "WGS 84"),
        (json.dumps({"type": "FeatureCollection", "features": [{}] * 1001}), "At most 1,000"),
        ('"' + "x" * 2_000_001, "too large"),
    ],
    ids=lambda value: str(value)[:30],
)  # fmt: skip
def test_what_is_no_map_is_refused_with_a_reason(content: str, said: str) -> None:
    with pytest.raises(Faulty) as refused:
        read_map(content, event(), [])
    assert said in refused.value.faults[0].message


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=5) | st.sampled_from(["Feature", "Point", "Polygon", 16.37, 48.2]),
    lambda inner: st.lists(inner, max_size=5)
    | st.dictionaries(st.sampled_from(["type", "geometry", "coordinates", "properties", "code", "antennas"]), inner, max_size=5),
    max_leaves=25,
)  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(st.lists(JSON, max_size=3), JSON)
def test_no_strange_map_breaks_the_reader(features: list[Any], geometry: Any) -> None:
    content = a_map(*features, feature({"type": "Polygon", "coordinates": geometry}, antennas=geometry))
    try:
        read = read_map(content, event(48.2, 16.37), [])
    except Faulty as refused:
        assert refused.faults[0].message
    else:
        assert len(read) == len(features) + 1


# -- in and out -----------------------------------------------------------------------------

YARD = [(-30.0, -20.0), (30.0, -20.0), (30.0, 20.0), (-30.0, 20.0)]


def signed_area(corners: list[list[float]]) -> float:
    return sum(x * v - u * y for (x, y), (u, v) in pairwise(corners))


def test_a_map_adds_and_changes_zones_and_leaves_the_others(site: Site) -> None:
    content = a_map(
        feature(polygon(*YARD), code="", name="MAIN stage", antenna_height_m=6),
        feature(point(120, -80), code="", name="Press tent", indoor=True, rack_m=5, farthest_m=60),
    )
    site.event.refresh_from_db()
    revision = site.event.revision
    read = actions.place_zones(actor=site.coordinator, content=content)
    assert [(one.code, one.status) for one in read] == [("main", Status.CHANGED), ("press-tent", Status.NEW)]
    main, tent = site.zone("main"), site.zone("press-tent")
    assert (main.name, main.antenna_height_m, len(main.outline[0])) == ("MAIN stage", 6, 4)
    assert (tent.east_m, tent.north_m, tent.indoor, tent.outline) == (120, -80, True, [])
    assert (tent.rack_m, tent.nearest_m, tent.farthest_m) == (5, None, 60)
    assert site.zone("gate").version == 1
    site.event.refresh_from_db()
    assert site.event.revision == revision + 1
    entry = Entry.objects.last()
    assert entry.verb == "placed zones from a map" and set(entry.changes) == {"main", "press-tent"}
    assert entry.changes["press-tent"]["east_m"] == [None, 120.0]


def test_zones_that_go_out_come_in_again_unchanged(site: Site) -> None:
    actions.place_zones(
        actor=site.coordinator, content=a_map(feature(polygon(*YARD), antennas=position(5, 5)))
    )
    zones = list(site.event.zones.order_by("code"))
    content = write_map(site.event, zones)
    assert [one.status for one in read_map(content, site.event, zones)] == [Status.UNCHANGED] * 4
    # RFC 7946, 3.1.6: outlines turn against the clock, and close.
    (yard,) = (one for one in json.loads(content)["features"] if one["id"] == "field")
    (corners,) = yard["geometry"]["coordinates"]
    assert corners[0] == corners[-1] and signed_area(corners) > 0
    clockwise = a_map(feature(polygon(*YARD[::-1]), antennas=position(5, 5)))
    actions.place_zones(actor=site.coordinator, content=clockwise)
    (yard,) = (
        one
        for one in json.loads(write_map(site.event, site.event.zones.all()))["features"]
        if one["id"] == "field"
    )
    assert signed_area(yard["geometry"]["coordinates"][0]) > 0


def test_a_faulty_feature_keeps_the_map_out_and_two_may_not_be_one_zone(site: Site) -> None:
    good = feature(point(10, 0), code="new")
    with pytest.raises(Faulty) as refused:
        actions.place_zones(
            actor=site.coordinator,
            content=a_map(good, feature(None, code="x"), feature(point(9, 9), code="new")),
        )
    assert [(fault.row, fault.field) for fault in refused.value.faults] == [(2, "geometry"), (3, "code")]
    assert not site.event.zones.filter(code="new").exists()


def test_only_coordinators_place_zones_and_an_origin_is_needed(site: Site) -> None:
    content = a_map(feature(point(10, 0)))
    for actor in (site.lead, site.desk, site.observer):
        with pytest.raises(Forbidden):
            actions.place_zones(actor=actor, content=content)
    other = make_site("nowhere")
    with pytest.raises(Conflict, match="no latitude"):
        actions.place_zones(actor=other.coordinator, content=content)
    assert "has no place on earth yet" in text(other.browser("coordinator").get("/e/nowhere/set-up/map/"))
    assert "no latitude" in text(
        other.browser("coordinator").post("/e/nowhere/set-up/map/", {"text": content.decode()})
    )
    assert other.browser("lead").get("/e/nowhere/zones.geojson").status_code == 404


def test_the_page_shows_what_would_change_and_keeps_the_text_until_it_is_saved(site: Site) -> None:
    boss = site.browser("coordinator")
    content = a_map(feature(polygon(*YARD), name="The «yard»"), feature(point(3, 4), code="main"))
    page = text(boss.post(BASE, {"file": SimpleUploadedFile("zones.geojson", b"\xef\xbb\xbf" + content)}))
    assert "2 zones would change" in page and "The «yard»" in page and "4 corners" in page
    assert not site.event.zones.filter(code="field").exists()
    given = {"text": content.decode(), "seen": hidden(page, "seen"), "save": "1"}
    Zone.objects.filter(code="main").update(east_m=50)
    page = text(boss.post(BASE, given))
    assert "would now do something else" in page and "2 zones would change" in page
    page = text(boss.post(BASE, given | {"seen": hidden(page, "seen")}, follow=True))
    assert "Saved: 1 new and 1 changed zones" in page
    assert (site.zone("main").east_m, site.zone("main").north_m) == (3, 4)
    assert "nothing to save" in text(boss.post(BASE, {"text": content.decode()}))
    broken = text(boss.post(BASE, {"text": content.decode().replace("Polygon", "Circle")}))
    assert (
        "1 of 2 features cannot be taken" in broken
        and "Circle is no zone" in broken
        and "Save these" not in broken
    )
    assert "Choose a file" in text(boss.post(BASE, {}))
    assert site.browser("lead").get(BASE).status_code == 403


def test_machines_read_and_place_zones_too(site: Site) -> None:
    boss, address = site.client("coordinator"), "/api/v1/events/harbour-days/zones.geojson"
    answer = boss.get(address)
    assert answer["Content-Type"] == "application/geo+json"
    assert {one["id"] for one in answer.json()["features"]} == {"main", "side", "gate"}
    content = a_map(feature(point(10, 0), code="new"), feature(point(220, 0), code="side"))
    answer = boss.post(address, content, content_type="application/geo+json")
    assert (answer.status_code, [row["status"] for row in answer.json()]) == (201, ["new", "unchanged"])
    answer = boss.post(address, a_map(feature(None)), content_type="application/geo+json")
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (422, "geometry")
    assert boss.post(address, b"", content_type="application/geo+json").status_code == 422
    assert site.client("lead").post(address, content, content_type="application/geo+json").status_code == 403
    assert site.client("lead").get(address).status_code == 200
    assert boss.post(address, {}, format="json").status_code == 415


def test_verdicts_that_would_write_something_else_look_different(site: Site) -> None:
    one, other = (read_map(a_map(feature(point(east, 0))), site.event, []) for east in (1, 2))
    assert fingerprint(one) != fingerprint(other)
