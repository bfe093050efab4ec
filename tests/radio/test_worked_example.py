"""The two-zone example of DEVELOPERS.md, number by number. Every expected figure was worked out on paper.

A stage North with microphones and an in-ear rack, a stage South with microphones, 300 m apart, at 600 MHz.
Loss figures: ITU-R P.525 (3 m 37.55, 10 m 48.01, 30 m 57.55 dB) and P.1411 §4.1.2 for heights of 1.5 and 3 m
(300 m: lower bound 89.94, median 95.94; 1000 m: lower bound 110.86 dB). Body loss, fade allowance, intercept
point and the two rectangular shapes are assumptions of the example.
"""

from dataclasses import replace

import numpy as np
import pytest

from apps.radio.chains import SendingChain
from apps.radio.demands import demands, separation
from apps.radio.kinds import BodyLoss, Kind
from apps.radio.margins import Plan, contributors, margins
from apps.radio.places import Distances, Place
from apps.radio.site import Service, Site

MIC = Kind(
    id="mic",
    modulation="digital",
    bandwidth_hz=200_000,
    low_hz=600_000_000,
    high_hz=600_000_000,
    sending=SendingChain(power_dbm=17.0),
    body=BodyLoss(least_db=6.0, usual_db=14.0),
    noise_figure_db=6.0,
    iip3_dbm=12.0,
    protection_db=20.0,
    mask=((0.0, 0.0), (0.5, 0.0), (0.5, -90.0)),
    filter=((0.0, 0.0), (0.5, 0.0), (0.5, -80.0)),
)
IN_EAR = replace(MIC, id="in-ear", body=BodyLoss(0.0, 0.0))


def site(apart_m=300.0):
    antennas = Place("north antennas", height_m=3.0, stands="antennas")
    between = Distances(apart_m, apart_m, apart_m)
    return Site(
        places=(
            antennas,
            Place(
                "north bodies",
                stands="bodies",
                distances={
                    "north antennas": Distances(3.0, 10.0, 30.0),
                    "south antennas": between,
                },
            ),
            Place(
                "north rack",
                height_m=3.0,
                stands="rack",
                distances={"north antennas": Distances(3.0, 3.0, 3.0), "south antennas": between},
            ),
            replace(antennas, id="south antennas"),
            Place(
                "south bodies",
                stands="bodies",
                distances={
                    "south antennas": Distances(3.0, 10.0, 30.0),
                    "north antennas": between,
                },
            ),
        ),
        kinds=(MIC, IN_EAR),
        services=(
            Service("mic", ("north bodies",), ("north antennas",)),
            Service("in-ear", ("north rack",)),
            Service("mic", ("south bodies",), ("south antennas",)),
        ),
    )


def near(expected, within=0.01):
    return pytest.approx(expected, abs=within)


def test_step_1_levels():
    north = site()
    # microphones at North: 17 - 6 - 37.55 at the strongest; 17 - 14 - 57.55 at the weakest, before fading
    assert north.strong_dbm("mic", "north bodies", "north antennas") == near(-26.55)
    assert north.usual_dbm("mic", "north bodies", "north antennas") == near(-45.01)
    assert north.weak_dbm("mic", "north bodies", "north antennas") == near(-54.55)
    # the rack: 17 - 37.55; South: 17 - 6 - 89.94
    assert north.strong_dbm("in-ear", "north rack", "north antennas") == near(-20.55)
    assert north.strong_dbm("mic", "south bodies", "north antennas") == near(-78.94)
    # noise: -120.96 + 6
    assert north.noise_dbm("north antennas", "mic") == near(-114.96)


def test_step_2_who_hears_whom():
    heard = {(h.receiver, h.sender): h.level_db for h in demands(site()).heard}
    # 0 dB is the rack; the bodies lie 6 dB under it; South, at -58.39 dB, is below the lowest limit of step 4
    assert heard["north antennas", "north rack"] == 0.0
    assert heard["north antennas", "north bodies"] == near(-6.0)
    assert ("north antennas", "south bodies") not in heard


def test_step_3_separations():
    rows = {(row.reason.sender, row.reason.receiver): row for row in demands(site()).separations}
    own = rows["north bodies", "north antennas"]
    # threshold: the larger of -54.55 - 20 (fade) - 20 (protection) and -114.96 - 6
    assert own.reason.threshold_dbm == near(-94.55)
    assert own.reason.needed_db == near(68.0)
    assert rows["north rack", "north antennas"].reason.needed_db == near(74.0)
    assert rows["south bodies", "north antennas"].reason.needed_db == near(15.61)
    # mask and filter part at 200 kHz; beyond, 10·log10(1/(10^-8 + 10^-9)) = 79.59 dB, enough for all three
    rejection = site().rejection("mic", "mic")
    assert float(rejection.at(200_000)) == near(79.59)
    assert float(rejection.at(193_750)) == near(15.05)
    for row in rows.values():
        assert row.min_hz == 200_000 and row.reason.short_db == 0.0


def test_step_4_limits_for_products():
    rows = {(r.family, r.made_in): r for r in demands(site()).products if "north antennas" in r.places}
    reason = next(r for r in rows["2A-B", "receivers"].reasons if r.place == "north antennas")
    assert reason.victim.strongest_dbm == near(-20.55)
    assert reason.victim.own_db == near(-34.0)
    # 2·(12 + 20.55) - 34 - 20 - 20 = -8.89; 6.02 less for A+B-C; rounded down to whole 3 dB
    assert reason.computed_db == near(-8.89)
    assert rows["2A-B", "receivers"].limit_db == -9.0
    assert rows["A+B-C", "receivers"].limit_db == -15.0
    # -34 - 20 - 20 + 34 + 12 = -28 among transmitters, but never above the ban at -40; rounded down
    assert rows["2A-B", "transmitters"].reasons[0].computed_db == near(-28.0)
    assert rows["2A-B", "transmitters"].limit_db == -42.0


def plan(in_ear_hz):
    return Plan(
        hz=np.array([600_000_000, 600_400_000, in_ear_hz, 600_200_000]),
        service=np.array([0, 0, 1, 2]),
        on=np.ones((4, 1), dtype=bool),
    )


def test_step_5_a_product_on_the_first_microphone():
    # 2·600.4 - 600.8 = 600.0 MHz
    found = margins(site(), plan(600_800_000))
    first = int(np.nonzero(found.carrier == 0)[0][0])
    assert found.wanted_dbm[first] == near(-74.55)
    assert found.noise_dbm[first] == near(-114.96)
    assert found.cochannel_dbm[first] < -150.0
    # the second microphone at -26.55 - 79.59 and the rack at -20.55 - 79.59
    assert found.adjacent_dbm[first] == near(-99.17)
    # 2·(-26.55) - 20.55 - 2·12
    assert found.products_dbm[first] == near(-97.66)
    # -74.55 - 20 + 95.29 = 0.74; usually the product is 2·(-45.01) - 20.55 - 24 = -134.57, so -45.01 - 20 + 99.98 = 34.97
    assert found.margin_db[first] == 0
    assert found.usual_margin_db[first] == 34
    (worst,) = contributors(site(), plan(600_800_000), found, [first])
    assert [(c.family, c.carriers) for c in worst] == [("2A-B", (1, 2)), ("", (2,)), ("", (1,))]
    assert [c.level_dbm for c in worst] == [near(-97.66), near(-100.14), near(-106.14)]


def test_step_6_the_rack_moves_away():
    found = margins(site(), plan(601_000_000))
    first = int(np.nonzero(found.carrier == 0)[0][0])
    assert found.products_dbm[first] < -180.0
    # -74.55 - 20 + 99.05 = 4.50, and usually -45.01 - 20 + 99.98 = 34.97
    assert found.margin_db[first] == 4
    assert found.usual_margin_db[first] == 34


def test_step_7_a_kilometre_apart_they_may_share():
    apart = site(1000.0)
    pairs = {(row.reason.sender, row.reason.receiver) for row in demands(apart).separations}
    assert ("south bodies", "north antennas") not in pairs
    # 17 - 6 - 110.86 = -99.86 dBm, 5.31 dB under the threshold
    far = separation(apart, "mic", "south bodies", apart.services[0], "north antennas")
    assert far.interferer_dbm == near(-99.86)
    assert far.needed_db == near(-5.31)
    assert far.min_hz == 0
    assert "may share a frequency" in far.words()
