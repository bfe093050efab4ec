"""Levels, noise and rejection of a site, and the faults of its description."""

from dataclasses import replace

import pytest

from apps.radio.chains import SendingChain, Stage, passive
from apps.radio.kinds import BODY_LOSS, Kind
from apps.radio.paths import Override
from apps.radio.places import Distances, stage
from apps.radio.settings import Settings
from apps.radio.site import Service, Site

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


def test_what_does_no_harm_is_never_asked_to_be_under_the_noise():
    # Radio Regulations No. 5.225A: I/N = -6 dB, here -114.96 - 6 dBm, however weak the wanted signal.
    site = two_stages(overrides=(Override(("main/bodies", "main/antennas"), 130.0, "measured"),))
    far = site.reception(site.services[0], "main/antennas")
    assert far.faded_dbm - MIC.protection < far.threshold_dbm
    assert far.threshold_dbm == pytest.approx(-120.96, abs=0.01)


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
