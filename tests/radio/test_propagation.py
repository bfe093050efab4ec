"""Path loss against the Recommendations' formulas as other libraries evaluate them."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from apps.radio import propagation

# ITU-R P.525: the exact loss as the open library pycraf 2.1.0 gives it, and the rounded 32.4 form.
FREE_SPACE = [
    (174, 300, 66.801, 66.753),
    (470, 1, 25.890, 25.842),
    (500, 10, 46.427, 46.379),
    (600, 3, 37.553, 37.505),
    (600, 30, 57.553, 57.505),
    (600, 100, 68.011, 67.963),
    (694, 1000, 89.275, 89.227),
    (1800, 50, 71.533, 71.485),
    (2400, 100, 80.052, 80.004),
    (5800, 20, 73.737, 73.689),
]


@pytest.mark.parametrize(("mhz", "distance_m", "exact_db", "rounded_db"), FREE_SPACE)
def test_free_space(mhz, distance_m, exact_db, rounded_db):
    loss = float(propagation.free_space_db(mhz * 1e6, distance_m))
    assert loss == pytest.approx(exact_db, abs=0.001)
    assert loss == pytest.approx(rounded_db, abs=0.05)


def test_free_space_constant_is_exact():
    # Friis with c = 299,792,458 m/s: 20·log10(4·pi·1e9/c) = 32.448 dB at 1 MHz and 1 km.
    assert float(propagation.free_space_db(1e6, 1e3)) == pytest.approx(32.448, abs=0.0005)


def test_free_space_arrays_keep_their_shape():
    assert propagation.free_space_db(600e6, np.array([[3.0, 30.0]])).shape == (1, 2)


@pytest.mark.parametrize("distance_m", [0.0, -3.0])
def test_no_distance_is_refused(distance_m):
    with pytest.raises(ValueError, match="distance_m must be more than 0"):
        propagation.free_space_db(600e6, distance_m)


# 50 mW (17 dBm) at 600 MHz in free space (ITU-R P.525): metres, level in dBm at an isotropic antenna.
@pytest.mark.parametrize(("metres", "dbm"), [(1, -11.0), (3, -20.6), (5, -25.0), (10, -31.0), (30, -40.6)])
def test_near_far_levels(metres, dbm):
    assert 17.0 - float(propagation.free_space_db(600e6, metres)) == pytest.approx(dbm, abs=0.06)


def test_lowest_level_of_a_body_worn_microphone():
    # IEEE 802.22-09/0068r2 (2009): 10 mW, a -10 dBi antenna, 27 dB beyond free space: -95 dBm at 100 m.
    assert 10.0 - 10.0 - float(propagation.free_space_db(600e6, 100.0)) - 27.0 == pytest.approx(
        -95.0, abs=0.05
    )


def test_plane_earth_and_breakpoint():
    # The two-ray limit and 4·h1·h2/wavelength, as in ITU-R P.1411.
    assert float(propagation.plane_earth_db(1000, 1.5, 3)) == pytest.approx(106.94, abs=0.005)
    assert float(propagation.breakpoint_m(600e6, 1.5, 3)) == pytest.approx(36.02, abs=0.01)


# ITU-R P.1411-12 §4.1.2: MHz, m, heights, breakpoint, lower, median, upper; open implementation.
STREET = [
    (600, 30, 1.5, 3, 36.02, 51.53, 57.53, 71.14),
    (600, 100, 1.5, 3, 36.02, 70.86, 76.86, 90.86),
    (600, 300, 1.5, 3, 36.02, 89.94, 95.94, 109.94),
    (500, 20, 1.5, 5, 50.03, 46.43, 52.43, 64.44),
    (500, 200, 1.5, 5, 50.03, 78.46, 84.46, 98.46),
    (1500, 50, 1.5, 3, 90.06, 63.93, 69.93, 82.65),
    (1500, 100, 1.5, 3, 90.06, 70.86, 76.86, 90.86),
]


@pytest.mark.parametrize(("mhz", "d", "h1", "h2", "breakpoint", "lower", "median", "upper"), STREET)
def test_street_line_of_sight(mhz, d, h1, h2, breakpoint, lower, median, upper):
    assert float(propagation.breakpoint_m(mhz * 1e6, h1, h2)) == pytest.approx(breakpoint, abs=0.02)
    for bound, expected in (("lower", lower), ("median", median), ("upper", upper)):
        loss = float(propagation.street_line_of_sight_db(mhz * 1e6, d, h1, h2, bound))
        assert loss == pytest.approx(expected, abs=0.01)


def test_the_lower_bound_dips_six_decibels_below_free_space():
    # Two rays in phase at the breakpoint: twice the field, 6.02 dB.
    at = float(propagation.breakpoint_m(600e6, 1.5, 3))
    street = float(propagation.street_line_of_sight_db(600e6, at, 1.5, 3, "lower"))
    assert float(propagation.free_space_db(600e6, at)) - street == pytest.approx(6.02, abs=0.05)


# ITU-R P.1411-12 §4.3.1, open implementation: MHz, m, in sight 50 and 90 %, out of sight suburban, urban.
LOW = [
    (500, 100, 66.43, 77.02, 90.95, 97.75),
    (600, 100, 68.01, 78.61, 94.52, 101.32),
    (600, 300, 77.56, 88.15, 113.60, 120.40),
    (600, 1000, 88.01, 98.61, 134.52, 141.32),
    (1800, 100, 77.56, 88.15, 115.99, 122.79),
]


@pytest.mark.parametrize(("mhz", "d", "median", "p90", "suburban", "urban"), LOW)
def test_low_terminals(mhz, d, median, p90, suburban, urban):
    hz = mhz * 1e6
    assert float(propagation.low_terminals_in_sight_db(hz, d)) == pytest.approx(median, abs=0.01)
    assert float(propagation.low_terminals_in_sight_db(hz, d, 90)) == pytest.approx(p90, abs=0.01)
    assert float(propagation.low_terminals_out_of_sight_db(hz, d)) == pytest.approx(suburban, abs=0.01)
    assert float(propagation.low_terminals_out_of_sight_db(hz, d, 50, "urban")) == pytest.approx(
        urban, abs=0.01
    )


# ITU-R P.1411 §4.3.1, table of the distance in sight, from memory.
@pytest.mark.parametrize(("percent", "metres"), [(1, 976), (10, 276), (50, 44), (90, 16), (99, 10)])
def test_line_of_sight_range(percent, metres):
    assert propagation.line_of_sight_range_m(percent) == pytest.approx(metres, abs=0.5)


def test_the_corner_joins_both_models_without_a_step():
    corner = propagation.line_of_sight_range_m(50)
    distances = np.array([corner, corner + propagation.CORNER_M])
    before, after = propagation.low_terminals_db(600e6, distances)
    assert before == pytest.approx(float(propagation.low_terminals_in_sight_db(600e6, corner)))
    assert after == pytest.approx(float(propagation.low_terminals_out_of_sight_db(600e6, corner + 20)))
    near, far = propagation.low_terminals_db(600e6, distances + np.array([1e-6, 1e-6]))
    assert near == pytest.approx(before, abs=1e-3) and far == pytest.approx(after, abs=1e-3)


# ITU-R P.2109-2 at elevation 0, coefficients of an open implementation: GHz, loss at 10, 50 and 90 percent.
ENTRY = [
    ("traditional", 0.2, 5.81, 13.97, 23.05),
    ("traditional", 0.5, 5.73, 13.98, 24.01),
    ("traditional", 0.6, 5.72, 14.04, 24.32),
    ("traditional", 0.8, 5.72, 14.17, 24.87),
    ("traditional", 1.5, 5.75, 14.65, 26.34),
    ("traditional", 1.8, 5.77, 14.84, 26.82),
    ("traditional", 2.4, 5.81, 15.19, 27.62),
    ("thermally efficient", 0.2, 21.83, 35.72, 49.63),
    ("thermally efficient", 0.5, 18.06, 32.32, 47.11),
    ("thermally efficient", 0.6, 17.69, 31.89, 46.84),
    ("thermally efficient", 0.8, 17.26, 31.34, 46.58),
    ("thermally efficient", 1.5, 16.75, 30.63, 46.84),
    ("thermally efficient", 1.8, 16.67, 30.55, 47.15),
    ("thermally efficient", 2.4, 16.59, 30.57, 47.87),
]


@pytest.mark.parametrize(("building", "ghz", "p10", "p50", "p90"), ENTRY)
def test_building_entry(building, ghz, p10, p50, p90):
    for percent, expected in ((10, p10), (50, p50), (90, p90)):
        assert float(propagation.building_entry_db(ghz * 1e9, percent, building)) == pytest.approx(
            expected, abs=0.01
        )


def test_building_entry_rises_with_elevation():
    # ITU-R P.2109-2: 0.212 dB a degree in the first term, which rules alone once far above the second.
    at_80, at_90 = (propagation.building_entry_db(600e6, 99, "traditional", angle) for angle in (80, 90))
    assert float(at_90 - at_80) == pytest.approx(2.12, abs=0.01)


# ITU-R P.2040 Table 3 as quoted in an open ray-tracing library: permittivity and conductivity at 1 GHz.
MATERIALS = [
    ("concrete", 5.24, 0.0462),
    ("brick", 3.91, 0.0238),
    ("plasterboard", 2.73, 0.0085),
    ("wood", 1.99, 0.0047),
    ("glass", 6.31, 0.0036),
    ("ceiling board", 1.48, 0.0011),
    ("chipboard", 2.58, 0.0217),
    ("plywood", 2.71, 0.33),
    ("marble", 7.074, 0.0055),
    ("metal", 1.0, 1e7),
    ("medium dry ground", 15.0, 0.035),
]


@pytest.mark.parametrize(("material", "permittivity", "conductivity"), MATERIALS)
def test_material_constants(material, permittivity, conductivity):
    row = propagation.MATERIALS[material]
    assert float(row.permittivity(1e9)) == pytest.approx(permittivity)
    assert float(row.conductivity_s_m(1e9)) == pytest.approx(conductivity)


def test_material_constants_follow_their_powers_of_frequency():
    # ITU-R P.2040 Table 3: concrete conductivity 0.0462·f^0.7822; medium dry ground permittivity 15·f^-0.1.
    assert float(propagation.MATERIALS["concrete"].conductivity_s_m(2.4e9)) == pytest.approx(0.0916, abs=1e-4)
    assert float(propagation.MATERIALS["medium dry ground"].permittivity(2.4e9)) == pytest.approx(
        13.74, abs=0.01
    )


@pytest.mark.parametrize("material", ["concrete", "brick", "glass", "wood"])
@pytest.mark.parametrize("thickness_m", [0.01, 0.1, 0.25])
def test_wall_agrees_with_the_transfer_matrix(material, thickness_m):
    # An independent derivation: the slab as a line between free spaces, ABCD matrix (textbook line theory).
    hz = 600e6
    row = propagation.MATERIALS[material]
    omega = 2 * math.pi * hz
    eps = row.permittivity(hz) - 1j * row.conductivity_s_m(hz) / (omega * propagation.VACUUM_PERMITTIVITY_F_M)
    gamma = 1j * omega / 299_792_458.0 * np.sqrt(eps) * thickness_m
    z = 376.730313 / np.sqrt(eps)
    a, b, c = np.cosh(gamma), z * np.sinh(gamma), np.sinh(gamma) / z
    through = 2 / (2 * a + b / 376.730313 + c * 376.730313)
    expected = -20 * np.log10(abs(through))
    assert float(propagation.wall_db(hz, material, thickness_m)) == pytest.approx(float(expected), abs=1e-6)


def test_an_unknown_material_is_refused_by_name():
    with pytest.raises(ValueError, match=r"'cheese'.*concrete"):
        propagation.wall_db(600e6, "cheese", 0.1)


DISTANCES = st.floats(1.0, 3000.0)
UHF = st.floats(300e6, 3e9)


@given(UHF, DISTANCES)
def test_twice_the_distance_is_six_decibels_in_free_space(hz, d):
    rise = propagation.free_space_db(hz, 2 * d) - propagation.free_space_db(hz, d)
    assert float(rise) == pytest.approx(20 * math.log10(2))


@given(
    UHF, DISTANCES, st.floats(1.0, 5.0), st.floats(1.0, 30.0), st.sampled_from(["lower", "median", "upper"])
)
def test_street_loss_rises_with_distance(hz, d, h1, h2, bound):
    near = propagation.street_line_of_sight_db(hz, d, h1, h2, bound)
    assert propagation.street_line_of_sight_db(hz, 2 * d, h1, h2, bound) > near


@given(UHF, DISTANCES, st.floats(1.0, 98.0), st.sampled_from(["suburban", "urban", "dense"]))
def test_a_worse_percentile_is_a_greater_loss(hz, d, percent, built_up):
    better = propagation.low_terminals_db(hz, d, percent, built_up)
    assert propagation.low_terminals_db(hz, d, percent + 1.0, built_up) >= better - 1e-9
    for building in ("traditional", "thermally efficient"):
        entry = propagation.building_entry_db(hz, percent, building)
        assert propagation.building_entry_db(hz, percent + 1.0, building) > entry


@given(st.sampled_from(["concrete", "brick", "wood", "glass", "plasterboard"]), st.floats(0.005, 0.4), UHF)
def test_a_wall_never_amplifies(material, thickness_m, hz):
    assert float(propagation.wall_db(hz, material, thickness_m)) > -1e-9
