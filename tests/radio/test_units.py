"""Units against printed figures: kTB, e.r.p./e.i.r.p., field strength, noise rise, power limits."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from apps.radio import units

# k·T·B at 290 K in dBm. Source: k from the SI (2019), 290 K from ITU-R P.372; usually rounded to -174 dBm/Hz.
THERMAL_NOISE = [
    (1, -173.98),
    (12_500, -133.01),
    (25_000, -130.00),
    (50_000, -126.99),
    (100_000, -123.98),
    (200_000, -120.96),
    (400_000, -117.95),
    (600_000, -116.19),
    (1_000_000, -113.98),
    (6_000_000, -106.19),
    (7_000_000, -105.52),
    (8_000_000, -104.94),
    (20_000_000, -100.96),
]


@pytest.mark.parametrize(("bandwidth_hz", "noise_dbm"), THERMAL_NOISE)
def test_thermal_noise(bandwidth_hz, noise_dbm):
    assert float(units.thermal_noise_dbm(bandwidth_hz)) == pytest.approx(noise_dbm, abs=0.006)


def test_noise_figure_adds():
    # IEEE 802.22-09/0068r2 (2009): 6 dB in 200 kHz, so a floor of about -115 dBm.
    assert float(units.thermal_noise_dbm(200_000, 6.0)) == pytest.approx(-114.96, abs=0.006)


def test_land_mobile_noise_of_the_radio_regulations():
    # Radio Regulations No. 5.225A (as printed in 47 CFR 2.106): N = -161 dBW in 4 kHz, about 7 dB.
    assert float(units.thermal_noise_dbm(4_000, 7.0)) - 30.0 == pytest.approx(-161.0, abs=0.1)


@pytest.mark.parametrize(("i_over_n_db", "rise_db"), [(0.0, 3.01), (-6.0, 0.97), (-10.0, 0.41)])
def test_noise_rise(i_over_n_db, rise_db):
    # I/N = -6 and -10 dB are the criteria of Radio Regulations No. 5.225A; the rise is 10·log10(1 + I/N).
    assert float(units.noise_rise_db(i_over_n_db)) == pytest.approx(rise_db, abs=0.005)


# 68 dBµV/m is the default protected field for UHF microphones (CEPT 1997; ERC Report 88), as quoted in
# Adv. Radio Sci. 6 (2008) 35-38; isotropic power by the conversion of ITU-R P.525.
@pytest.mark.parametrize(
    ("field_dbuv_m", "mhz", "level_dbm"), [(68, 500, -63.2), (68, 600, -64.78), (68, 800, -67.28)]
)
def test_field_to_power(field_dbuv_m, mhz, level_dbm):
    assert float(units.power_from_field(field_dbuv_m, mhz * 1e6)) == pytest.approx(level_dbm, abs=0.01)


def test_field_constant():
    # ITU-R P.525: E(dBµV/m) - P(dBm) - 20·log10(f/MHz) is 77.2.
    assert float(units.field_from_power(0.0, 1e6)) == pytest.approx(77.2, abs=0.05)


def test_power_density_and_field_of_fifty_milliwatts():
    # Cross-check with the open library pycraf 2.1.0: 50 mW e.i.r.p. at 100 m.
    eirp_dbm = units.dbm(50.0)
    assert float(units.power_density_w_m2(eirp_dbm, 100.0)) == pytest.approx(3.979e-7, rel=1e-3)
    field = float(units.field_at_distance(eirp_dbm, 100.0))
    assert field == pytest.approx(81.8, abs=0.05)
    assert 10 ** (field / 20) / 1e3 == pytest.approx(12.24, abs=0.02)


def test_two_bases_of_radiated_power():
    # ITU-R V.573: a half-wave dipole has 2.15 dBi, so 50 mW e.r.p. is 82 mW e.i.r.p.
    assert float(units.milliwatts(units.eirp_from_erp(units.dbm(50.0)))) == pytest.approx(82.0, abs=0.1)
    assert float(units.erp_from_eirp(units.eirp_from_erp(10.0))) == pytest.approx(10.0)


# Exact by definition of the decibel over a milliwatt.
@pytest.mark.parametrize(
    ("mw", "level_dbm"), [(1, 0.0), (10, 10.0), (50, 16.99), (250, 23.98), (1000, 30.0), (5000, 36.99)]
)
def test_milliwatts(mw, level_dbm):
    assert float(units.dbm(mw)) == pytest.approx(level_dbm, abs=0.005)
    assert float(units.milliwatts(units.dbm(mw))) == pytest.approx(mw)


def test_unlicensed_wideband_intercom_limit():
    # 47 CFR 15.319: 100 µW times the square root of the emission bandwidth in hertz; 1.4 MHz gives 118 mW.
    assert 0.1 * math.sqrt(1.4e6) == pytest.approx(118.3, abs=0.1)
    assert float(units.dbm(0.1) + units.decibels(1.4e6) / 2) == pytest.approx(
        float(units.dbm(118.3)), abs=0.01
    )


def test_nothing_is_minus_infinity():
    assert float(units.dbm(0.0)) == -math.inf
    assert float(units.power_sum_dbm([])) == -math.inf
    assert float(units.power_sum_dbm([-math.inf, -40.0])) == pytest.approx(-40.0)


@given(st.lists(st.floats(-150, 40), min_size=1, max_size=20))
def test_a_sum_is_at_least_its_largest_part(levels):
    total = float(units.power_sum_dbm(levels))
    assert max(levels) - 1e-9 <= total <= max(levels) + 10 * math.log10(len(levels)) + 1e-9
