"""Paths between places: the Recommendations' figures; farther or behind a wall is never louder."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from apps.radio import propagation
from apps.radio.paths import path
from apps.radio.places import Distances, Place, stage
from apps.radio.settings import Settings

OPEN = Settings()


def places(metres, **changes):
    a = Place("a", height_m=1.5, stands="bodies")
    b = Place("b", east_m=metres, height_m=3.0, **changes)
    return a, b


def loss(metres, settings=OPEN, hz=600e6, **changes):
    return path(*places(metres, **changes), hz, hz, settings).loss


def test_in_sight_the_figures_are_those_of_the_recommendations():
    # 100 m apart with heights of 1.5 and 3 m: P.1411 §4.1.2, lower 70.86, median 76.86 dB.
    found = loss(100.0)
    assert found.strong_db == pytest.approx(70.86, abs=0.02)
    assert found.usual_db == found.weak_db == pytest.approx(76.86, abs=0.02)


def test_near_by_it_is_free_space():
    # ITU-R P.525: 37.55 dB at 3 m, 600 MHz.
    a, b = places(3.0, distances={"a": Distances(3.0, 3.0, 3.0)})
    found = path(a, b, 600e6, 600e6, OPEN)
    assert found.loss.strong_db == pytest.approx(37.55, abs=0.01)
    assert found.model == "free space (ITU-R P.525)"


def test_low_terminals_among_buildings():
    # P.1411 §4.3.1 at 600 MHz, 300 m: median out of sight 113.60 suburban, 120.40 urban.
    a, b = places(300.0)
    b = replace(b, height_m=1.5)
    for surroundings, expected in (("suburban", 113.60), ("urban", 120.40)):
        found = path(a, b, 600e6, 600e6, Settings(surroundings=surroundings))
        assert found.loss.usual_db == pytest.approx(expected, abs=0.01)
        assert "§4.3" in found.model
    # an antenna above the heads sees over: in sight
    high = path(a, replace(b, height_m=6.0), 600e6, 600e6, Settings(surroundings="urban"))
    assert "§4.1.2" in high.model


def test_a_wall_for_each_building():
    # P.2109 at 0.6 GHz: traditional 5.72 / 14.04 / 24.32 dB, thermally efficient 17.69 / 31.89 / 46.84 dB.
    free = loss(100.0)
    one = loss(100.0, building="hall")
    assert one.strong_db - free.strong_db == pytest.approx(5.72, abs=0.01)
    assert one.usual_db - free.usual_db == pytest.approx(14.04, abs=0.01)
    assert one.weak_db - free.weak_db == pytest.approx(24.32, abs=0.01)
    new = loss(100.0, building="hall", construction="thermally efficient")
    assert new.usual_db - free.usual_db == pytest.approx(31.89, abs=0.01)


def test_inside_one_building_there_is_no_wall():
    a, b = (replace(place, building="hall") for place in places(20.0))
    assert [name for name, _ in path(a, b, 600e6, 600e6, OPEN).parts] == ["path"]
    two = path(a, replace(b, building="foyer"), 600e6, 600e6, OPEN)
    assert [name for name, _ in two.parts][1:] == [
        "wall of hall (ITU-R P.2109)",
        "wall of foyer (ITU-R P.2109)",
    ]


def test_distances_agreed_stand_before_positions():
    a, b = places(500.0)
    b = replace(b, distances={"a": Distances(3.0, 10.0, 40.0)})
    assert path(a, b, 600e6, 600e6, OPEN).distances == Distances(3.0, 10.0, 40.0)
    assert path(b, a, 600e6, 600e6, OPEN).distances == Distances(3.0, 10.0, 40.0)


def test_devices_that_stray_come_nearer_and_go_farther():
    a, b = places(100.0)
    found = path(replace(a, radius_m=30.0, height_m=3.0), b, 600e6, 600e6, OPEN).distances
    assert (found.nearest_m, found.usual_m, found.farthest_m) == (70.0, 100.0, 130.0)


def test_a_stage_has_three_places():
    antennas, bodies, rack = stage("main", 10.0, 20.0, Distances(3.0, 15.0, 40.0), rack_m=2.0)
    assert [p.id for p in (antennas, bodies, rack)] == ["main/antennas", "main/bodies", "main/rack"]
    assert path(bodies, antennas, 600e6, 600e6, OPEN).distances == Distances(3.0, 15.0, 40.0)
    assert path(rack, bodies, 600e6, 600e6, OPEN).distances == Distances(3.0, 15.0, 40.0)
    assert path(rack, antennas, 600e6, 600e6, OPEN).distances == Distances(2.0, 2.0, 2.0)
    assert path(bodies, bodies, 600e6, 600e6, OPEN).distances.nearest_m == 0.6


@pytest.mark.parametrize("wrong", [(0.0, 1.0, 2.0), (3.0, 2.0, 5.0), (1.0, 5.0, 4.0)])
def test_distances_must_rise(wrong):
    with pytest.raises(ValueError, match="nearest, usual, farthest"):
        Distances(*wrong)


METRES = st.floats(0.5, 3000.0)
SURROUNDINGS = st.sampled_from(["open", "suburban", "urban", "dense"])


@given(METRES, st.floats(1.0, 10.0), SURROUNDINGS, st.floats(1.5, 12.0))
def test_farther_is_never_louder(metres, times, surroundings, height_m):
    settings = Settings(surroundings=surroundings)
    here, there = (loss(d, settings).strong_db for d in (metres, metres * times))
    assert there >= here - 1e-9
    assert loss(metres * times, settings).weak_db >= loss(metres, settings).weak_db - 1e-9


@given(METRES, SURROUNDINGS)
def test_the_wanted_path_is_never_better_than_the_interfering_one(metres, surroundings):
    found = loss(metres, Settings(surroundings=surroundings))
    assert found.strong_db <= found.usual_db + 1e-9 <= found.weak_db + 2e-9


@given(METRES, st.sampled_from(["traditional", "thermally efficient"]))
def test_a_wall_is_a_loss(metres, construction):
    assert loss(metres, building="hall", construction=construction).strong_db > loss(metres).strong_db


@given(METRES)
def test_nearer_than_ten_metres_is_no_louder_than_free_space(metres):
    free = float(propagation.free_space_db(600e6, min(10.0, math.dist((metres, 3.0), (0.0, 1.5)))))
    assert loss(metres).strong_db >= free - 1e-9
