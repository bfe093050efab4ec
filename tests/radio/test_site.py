"""Paths between places, levels and faults; whatever comes nearer or out of a building is louder."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from apps.radio import propagation
from apps.radio.chains import SendingChain, Stage, passive
from apps.radio.site import (
    BODY_LOSS,
    Distances,
    Kind,
    Override,
    Place,
    Service,
    Settings,
    Site,
    path,
    stage,
)

MIC = Kind(
    "mic",
    "digital",
    200_000,
    600_000_000,
    600_000_000,
    SendingChain(17.0),
    use="body_worn",
    body=BODY_LOSS["body_worn"],
    iip3_dbm=10.0,
)
IN_EAR = replace(
    MIC, id="in-ear", modulation="analogue stereo", body=BODY_LOSS[""], receiver_body=BODY_LOSS["body_worn"]
)
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


def two_stages(**changes):
    own = Distances(3.0, 15.0, 40.0)
    return Site(
        places=(*stage("main", 0.0, 0.0, own), *stage("side", 300.0, 0.0, own)),
        kinds=(MIC, IN_EAR),
        services=tuple(
            service
            for name in ("main", "side")
            for service in (
                Service("mic", (f"{name}/bodies",), (f"{name}/antennas",)),
                Service("in-ear", (f"{name}/rack",), (f"{name}/bodies",)),
            )
        ),
        **changes,
    )


def test_near_far_at_an_in_ear_pack():
    # A pack transmitter 0.6 m from an in-ear pack: P.525 23.57 dB; 17 - 6 - 23.57 - 6 (bodies) = -18.57 dBm,
    # and its own signal at 40 m 17 - 60.05 - 14 = -57.05 dBm: 38 dB under it.
    site = two_stages()
    victim = site.services[1]
    assert site.interferer_dbm("mic", "main/bodies", victim, "main/bodies") == pytest.approx(-18.57, abs=0.02)
    assert site.weak_dbm("in-ear", "main/rack", "main/bodies") <= -57.05 + 0.01


def test_only_ones_own_pack_is_nearest():
    # Several packs at once count from the usual distance among bodies: P.525 45.51 dB at 7.5, 23.57 at 0.6 m.
    site = two_stages()
    one = site.strong_dbm("mic", "main/bodies", "main/bodies")
    several = site.together_dbm("mic", "main/bodies", "main/bodies")
    assert one - several == pytest.approx(45.51 - 23.57, abs=0.02)
    assert site.together_dbm("mic", "main/bodies", "main/antennas") == site.strong_dbm(
        "mic", "main/bodies", "main/antennas"
    )


def test_what_comes_with_the_wanted_signal_is_as_far_as_it():
    # Two carriers of one rack reach a pack over one path: as strong as the wanted one, which alone fades.
    site = two_stages()
    victim = site.services[1]
    level = site.interferer_dbm("in-ear", "main/rack", victim, "main/bodies")
    assert level == pytest.approx(site.weak_dbm("in-ear", "main/rack", "main/bodies"))
    from_elsewhere = site.interferer_dbm("in-ear", "side/rack", victim, "main/bodies")
    assert from_elsewhere == pytest.approx(
        site.strong_dbm("in-ear", "side/rack", "main/bodies") - IN_EAR.receiver_body.least_db
    )


@pytest.mark.parametrize("surroundings", ["open", "suburban", "urban", "dense"])
def test_the_losses_of_all_paths_are_those_of_each(surroundings):
    site = two_stages(
        settings=Settings(surroundings=surroundings),
        overrides=(Override(("main/rack", "side/bodies"), 99.0, "measured"),),
    )
    inside = tuple(replace(p, building="hall") if p.id.startswith("side") else p for p in site.places)
    for one in (site, replace(site, places=inside)):
        for number, (kind, sender) in enumerate(one.emissions):
            for place in one.receiving:
                record = one.path(sender, one.places[place].id, kind).loss
                assert one.path_loss_db[:, number, place].tolist() == pytest.approx(
                    [record.strong_db, record.usual_db, record.weak_db]
                )


def test_an_override_replaces_the_model_either_way():
    site = two_stages(overrides=(Override(("side/bodies", "main/antennas"), 120.0, "grandstand, measured"),))
    found = site.path("side/bodies", "main/antennas", "mic")
    assert found.loss.strong_db == found.loss.weak_db == 120.0
    assert "grandstand, measured" in found.words()
    assert site.path("main/antennas", "side/bodies", "mic").loss.strong_db == 120.0


def test_the_front_of_a_place_counts_in_noise_and_intercept():
    # Friis: 3 dB of cable before a 6 dB receiver is 9 dB; the intercept point moves out by the same 3 dB.
    site = two_stages()
    cabled = replace(
        site, places=tuple(replace(place, front=(passive("cable", 3.0),)) for place in site.places)
    )
    plain_db = site.noise_dbm("main/antennas", "mic")
    assert cabled.noise_dbm("main/antennas", "mic") == pytest.approx(plain_db + 3.0)
    assert cabled.chain("main/antennas", "mic").iip3_dbm == pytest.approx(13.0)
    noisy = replace(site, places=tuple(replace(place, noise_rise_db=5.0) for place in site.places))
    assert noisy.noise_dbm("main/antennas", "mic") == pytest.approx(plain_db + 5.0)


def test_an_amplifier_at_the_antenna_lowers_the_intercept_point():
    # 1/(10 dBm) + 15 dB / (10 dBm): -5.14 dBm at the antenna.
    site = two_stages()
    amplified = replace(
        site, places=tuple(replace(p, front=(Stage("amplifier", 15.0, 2.0, 10.0),)) for p in site.places)
    )
    assert amplified.chain("main/antennas", "mic").iip3_dbm == pytest.approx(-5.14, abs=0.01)


def test_every_fault_is_named_at_once():
    antennas, bodies, rack = stage("main", 0.0, 0.0, Distances(3.0, 15.0, 40.0))
    with pytest.raises(ValueError) as fault:
        Site(
            places=(antennas, bodies, rack, rack),
            kinds=(replace(MIC, low_hz=700_000_000, bandwidth_hz=0, guards_hz={"A+A": 1}),),
            services=(Service("mic", ("nowhere",)), Service("horn", ()), Service("mic", ("main/rack",))),
            overrides=(Override(("main/rack", "moon"), 200.0, "far"),),
        )
    lines = str(fault.value).splitlines()
    assert lines == [
        "service 0: unknown place 'nowhere'",
        "service 1: unknown kind 'horn'",
        "service 1: sent from nowhere; name at least one place",
        "override 'far': unknown place 'moon'",
        "place 'main/rack' is listed more than once",
        "kind 'mic': tuning must rise, not 700000000 to 600000000 Hz",
        "kind 'mic': bandwidth must be more than 0 Hz, not 0",
        "kind 'mic': unknown family of products 'A+A'; known are 2A-B, A+B-C, 3A-2B, 3A-B-C, 2A+B-2C, "
        "2A+B-C-D, A+B+C-2D, A+B+C-D-E, 4A-3B",
    ]


def test_a_passband_that_keeps_out_what_is_received_is_a_fault():
    with pytest.raises(ValueError, match="passband keeps out kind 'mic'"):
        Site(
            places=stage(
                "main", 0.0, 0.0, Distances(3.0, 15.0, 40.0), passband=((470_000_000, 500_000_000),)
            ),
            kinds=(MIC,),
            services=(Service("mic", ("main/bodies",), ("main/antennas",)),),
        )


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
