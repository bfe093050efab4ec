"""Intermodulation: counts, coefficients and levels against enumeration, the printed table and the FFT."""

import itertools
import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from apps.radio import products
from apps.radio.products import FAMILIES, Victim

# Counts as in Babcock, Bell System Technical Journal, January 1953; coefficients by the multinomial theorem.
# Name, coefficient, dB over two carriers, counts for n carriers.
FAMILY_TABLE = [
    ("2A-B", "3/4", 0.0, {3: 6, 5: 20, 10: 90, 20: 380, 50: 2_450, 100: 9_900}),
    ("A+B-C", "3/2", 6.02, {3: 3, 5: 30, 10: 360, 20: 3_420, 50: 58_800, 100: 485_100}),
    ("3A-2B", "5/8", 0.0, {3: 6, 5: 20, 10: 90, 20: 380, 50: 2_450, 100: 9_900}),
    ("3A-B-C", "5/4", 6.02, {3: 3, 5: 30, 10: 360, 20: 3_420, 50: 58_800, 100: 485_100}),
    ("2A+B-2C", "15/8", 9.54, {3: 6, 5: 60, 10: 720, 20: 6_840, 50: 117_600, 100: 970_200}),
    ("2A+B-C-D", "15/4", 15.56, {3: 0, 5: 60, 10: 2_520, 20: 58_140, 50: 2_763_600, 100: 47_054_700}),
    ("A+B+C-2D", "15/4", 15.56, {3: 0, 5: 20, 10: 840, 20: 19_380, 50: 921_200, 100: 15_684_900}),
    ("A+B+C-D-E", "15/2", 21.58, {3: 0, 5: 10, 10: 2_520, 20: 155_040, 50: 21_187_600, 100: 752_875_200}),
    ("4A-3B", "35/64", 0.0, {3: 6, 5: 20, 10: 90, 20: 380, 50: 2_450, 100: 9_900}),
]


@pytest.mark.parametrize(("name", "coefficient", "over_db", "counts"), FAMILY_TABLE)
def test_families(name, coefficient, over_db, counts):
    family = FAMILIES[name]
    assert products.polynomial_coefficient(family) == Fraction(coefficient)
    assert products.over_two_carrier_db(family) == pytest.approx(over_db, abs=0.005)
    for n, expected in counts.items():
        assert products.count(family, n) == expected


@pytest.mark.parametrize("name", FAMILIES)
@pytest.mark.parametrize("n", [2, 3, 5, 6])
def test_enumeration_lists_as_many_as_are_counted(name, n):
    hz, letters = products.products_hz(FAMILIES[name], np.array([7, 19, 54, 131, 300, 777])[:n] * 1000)
    assert len(hz) == products.count(FAMILIES[name], n)
    assert len({tuple(row) for row in letters}) == len(hz)


# Seventh order by the multinomial theorem: coefficients of the letters, K, dB over 4A-3B.
@pytest.mark.parametrize(
    ("family", "coefficient", "over_db"),
    [
        ((4, -2, -1), "105/64", 9.54), ((4, -1, -1, -1), "105/32", 15.56), ((3, 1, -3), "35/16", 12.04),
        ((3, 1, -2, -1), "105/16", 21.58), ((3, 1, -1, -1, -1), "105/8", 27.60),
        ((2, 2, -3), "105/32", 15.56), ((2, 2, -2, -1), "315/32", 25.11), ((2, 1, 1, -3), "105/16", 21.58),
        ((1, 1, 1, 1, -3), "105/8", 27.60),
        ((1, 1, 1, 1, -1, -1, -1), "315/4", 43.17),
    ],
)  # fmt: skip
def test_seventh_order(family, coefficient, over_db):
    assert products.order(family) == 7
    assert products.polynomial_coefficient(family) == Fraction(coefficient)
    assert products.over_two_carrier_db(family) == pytest.approx(over_db, abs=0.005)


# Standard intercept-point relations: family, levels, intercept point, product, all dBm.
LEVELS = [
    ("2A-B", (-30, -30), 0, -90),
    ("2A-B", (-20, -30), 0, -70),
    ("2A-B", (-30, -20), 0, -80),
    ("2A-B", (-30, -30), 10, -110),
    ("2A-B", (-10, -10), 15, -60),
    ("2A-B", (-47, -47), -10, -121),
    ("A+B-C", (-30, -30, -30), 0, -83.98),
    ("A+B-C", (-20, -30, -40), 0, -83.98),
    ("A+B-C", (-30, -30, -30), 10, -103.98),
    ("3A-2B", (-20, -20), 0, -100),
    ("3A-2B", (-10, -20), 5, -90),
    # two 17 dBm carriers 10 m away (P.525: -31.0 dBm) into IIP3 -10 and +10 dBm
    ("2A-B", (-31, -31), -10, -73),
    ("2A-B", (-31, -31), 10, -113),
]


@pytest.mark.parametrize(("name", "levels", "intercept", "expected"), LEVELS)
def test_levels_by_intercept_point(name, levels, intercept, expected):
    assert float(products.product_dbm(FAMILIES[name], levels, intercept)) == pytest.approx(
        expected, abs=0.005
    )


def test_a_triple_beat_is_six_decibels_over_a_two_carrier_product():
    # Also stated in a published microwave-journal article on carrier triple beats.
    two = products.product_dbm(FAMILIES["2A-B"], (-30, -30), 0)
    assert float(products.product_dbm(FAMILIES["A+B-C"], (-30, -30, -30), 0) - two) == pytest.approx(
        6.02, abs=0.005
    )


# ------------------------------------------------------------- the spectrum of a simulated nonlinearity

SAMPLES = 1 << 17
BINS = np.array([9_682, 9_778, 10_057, 11_069, 11_169])
"""Carriers in FFT bins, chosen so that no two products of the third and fifth order coincide."""


def spectrum_dbm(signal):
    amplitude = np.abs(np.fft.rfft(signal)) / (SAMPLES / 2)
    with np.errstate(divide="ignore"):
        return 10 * np.log10(amplitude**2 / 2)


def driven(levels_dbm, m, mth):
    peaks = np.sqrt(2 * 10 ** (np.asarray(levels_dbm) / 10))
    t = np.arange(SAMPLES)
    x = sum(
        peak * np.cos(2 * np.pi * bin_ * t / SAMPLES + phase)
        for peak, bin_, phase in zip(peaks, BINS, (0.3, 1.1, 2.0, 2.9, 4.4), strict=False)
    )
    return spectrum_dbm(x + mth * x**m)


@pytest.mark.parametrize("levels", [(-10, -13), (-10, -13, -11), (-12, -10, -13, -11, -14)])
@pytest.mark.parametrize(("m", "mth"), [(3, -0.01), (5, 0.02)])
def test_levels_and_frequencies_agree_with_the_fft(levels, m, mth):
    spectrum = driven(levels, m, mth)
    intercept = products.intercept_of_polynomial_dbm(m, 1.0, mth)
    carriers = BINS[: len(levels)]
    families = [f for f in FAMILIES.values() if products.order(f) == m and len(f) <= len(levels)]
    assert families
    found = {}
    for family in families:
        bins, letters = products.products_hz(family, carriers)
        powers = products.product_dbm(family, np.asarray(levels, dtype=float)[letters], intercept)
        for bin_, power in zip(bins.tolist(), np.atleast_1d(powers).tolist(), strict=True):
            assert bin_ not in found, "the carriers of this test let two products coincide"
            found[bin_] = power
    for bin_, power in found.items():
        assert spectrum[bin_] == pytest.approx(power, abs=0.01)
    # every line near the carriers is a carrier or one of the products
    low, high = min(found) - 50, max(found) + 50
    lines = low + np.nonzero(spectrum[low:high] > min(found.values()) - 20)[0]
    assert set(lines.tolist()) <= set(found) | set(carriers.tolist()) | third_order_of_fifth(m, carriers)


def third_order_of_fifth(m, carriers):
    """A fifth-power term also makes products at third-order frequencies."""
    if m == 3:
        return set()
    return {int(hz) for name in ("2A-B", "A+B-C") for hz in products.products_hz(FAMILIES[name], carriers)[0]}


def test_fifth_order_term_at_a_third_order_frequency():
    # 25/8·a5·A^5 at 2A-B for two equal carriers: 20·log10(3.125·a5·A^5) against the FFT.
    spectrum = driven((-10, -10), 5, 0.02)
    peak = math.sqrt(2 * 10 ** (-10 / 10))
    assert spectrum[2 * BINS[0] - BINS[1]] == pytest.approx(
        10 * math.log10((3.125 * 0.02 * peak**5) ** 2 / 2), abs=0.01
    )


def test_compression_against_a_simulated_nonlinearity():
    # One carrier 9.64 dB under IIP3 of a compressing cubic loses 1 dB.
    mth = -0.01
    level = products.intercept_of_polynomial_dbm(3, 1.0, mth) - 9.64
    assert level - driven((level,), 3, mth)[BINS[0]] == pytest.approx(1.0, abs=0.005)


# ------------------------------------------------------------------------------- published worked sets


def test_three_equally_spaced_carriers_hit_each_other():
    # kHz; by hand
    carriers = np.array([606_600, 606_900, 607_200]) * 1000
    two, _ = products.products_hz(FAMILIES["2A-B"], carriers)
    three, _ = products.products_hz(FAMILIES["A+B-C"], carriers)
    assert sorted(two // 1000) == [606_000, 606_300, 606_600, 607_200, 607_500, 607_800]
    assert sorted(three // 1000) == [606_300, 606_900, 607_500]


def test_a_golomb_ruler_keeps_its_products_off_its_carriers():
    # Marks 0-1-4-6 (OEIS A003022, length 6) times 300 kHz: nearest product 300 kHz from any carrier.
    carriers = np.array([606_600, 606_900, 607_800, 608_400]) * 1000
    hz = np.concatenate([products.products_hz(FAMILIES[name], carriers)[0] for name in ("2A-B", "A+B-C")])
    assert len(hz) == 24
    assert np.abs(hz[:, None] - carriers).min() == 300_000


# Hits on own carriers by family, in the order of FAMILIES without 4A-3B. Sets: equally spaced; OEIS A065825
# (n = 8); Golomb rulers of OEIS A003022 with 6 and 8 marks; B3 set of OEIS A227358 with 8.
HITS = [
    ((0, 1, 2, 3, 4), (8, 16, 4, 8, 18, 26, 8, 6)),
    ((0, 1, 2, 3, 4, 5, 6, 7), (24, 100, 14, 50, 114, 362, 114, 294)),
    ((1, 2, 4, 5, 10, 11, 13, 14), (0, 48, 10, 16, 50, 166, 28, 146)),
    ((0, 1, 4, 10, 12, 17), (0, 0, 2, 5, 12, 25, 6, 11)),
    ((0, 1, 4, 9, 15, 22, 32, 34), (0, 0, 1, 10, 23, 70, 19, 58)),
    ((0, 2, 5, 34, 74, 107, 120, 129), (0, 0, 0, 0, 0, 0, 0, 0)),
]


@pytest.mark.parametrize(("marks", "hits"), HITS)
def test_hits_of_published_sets(marks, hits):
    for (name, family), expected in zip(list(FAMILIES.items())[:8], hits, strict=True):
        hz, _ = products.products_hz(family, marks)
        assert (hz == np.array(marks)[:, None]).sum() == expected, name


@pytest.mark.parametrize("n", range(3, 11))
def test_hits_on_equally_spaced_carriers(n):
    # Closed forms of the satellite-repeater literature (c. 1970, from memory) against enumeration.
    odd = 1 - (-1) ** n
    for r, mark in enumerate(range(n), start=1):
        expected = (
            (n - 2 - 0.5 * odd * (-1) ** r) / 2,
            r / 2 * (n - r + 1) + ((n - 3) ** 2 - 5 - 0.5 * odd * (-1) ** (n + r)) / 4,
        )
        for name, hits in zip(("2A-B", "A+B-C"), expected, strict=True):
            assert (products.products_hz(FAMILIES[name], range(n))[0] == mark).sum() == hits


# --------------------------------------------------------------------------------------- limits and guards


def test_receiver_limit_by_hand():
    # 2·(IIP3 - P0) + own - PR - F = 2·(10 + 20) - 40 - 20 - 20 = -20 dB, 6.02 dB less for A+B-C.
    victim = Victim(strongest_dbm=-20.0, own_db=-40.0, protection_db=20.0, fade_db=20.0)
    assert products.receiver_limit_db(FAMILIES["2A-B"], victim, 10.0) == pytest.approx(-20.0)
    assert products.receiver_limit_db(FAMILIES["A+B-C"], victim, 10.0) == pytest.approx(-26.02, abs=0.005)
    # 3A-2B: 4·(IIP5 - P0) + own - PR - F
    assert products.receiver_limit_db(FAMILIES["3A-2B"], victim, 0.0) == pytest.approx(0.0)


def test_a_product_at_the_limit_leaves_exactly_the_protection_ratio():
    # The limit and the level formula are two ways to one figure: C - F - P = PR.
    victim = Victim(strongest_dbm=-23.0, own_db=-35.0, protection_db=17.0, fade_db=12.0)
    for name, intercept in (("2A-B", 4.0), ("A+B-C", 4.0), ("3A-2B", -2.0)):
        family = FAMILIES[name]
        limit = products.receiver_limit_db(family, victim, intercept)
        share = limit / products.order(family)
        level = products.product_dbm(family, [victim.strongest_dbm + share] * len(family), intercept)
        assert victim.strongest_dbm + victim.own_db - victim.fade_db - float(level) == pytest.approx(17.0)


def test_transmitters_close_together():
    # 0.5 m apart at 600 MHz (P.525: 22.0 dB), 12 dB of bodies between and 12 dB of conversion loss
    # (assumptions, no source): about -46 dB under the carrier.
    coupling = 22.0 + 12.0
    assert products.transmitter_product_dbm(0.0, coupling, 12.0) == pytest.approx(-46.0)
    victim = Victim(strongest_dbm=-20.0, own_db=-40.0, protection_db=20.0, fade_db=20.0)
    assert products.transmitter_limit_db(victim, coupling, 12.0) == pytest.approx(-34.0)


# common practice, no source: kHz for 2A-B / A+B-C / 3A-2B
@pytest.mark.parametrize(
    ("modulation", "guards_khz"),
    [
        ("analogue mono", (100, 50, 50)),
        ("analogue stereo", (100, 75, 50)),
        ("digital", (75, 25, None)),
        ("two-way", (12.5, 12.5, None)),
        ("wideband", (None, None, None)),
    ],
)
def test_starting_guards(modulation, guards_khz):
    rows = products.GUARDS_HZ[modulation]
    found = tuple(rows.get(name) for name in ("2A-B", "A+B-C", "3A-2B"))
    assert found == tuple(None if khz is None else khz * 1000 for khz in guards_khz)


def test_outer_width():
    # Σ|c|·B: three bandwidths for the third order, five for the fifth.
    assert products.outer_width_hz(FAMILIES["2A-B"], (200e3, 200e3)) == 600e3
    assert products.outer_width_hz(FAMILIES["A+B+C-D-E"], [200e3] * 5) == 1e6


# n·f: source band, n, band of the harmonic in MHz.
HARMONICS = [
    (174, 216, 2, 348, 432),
    (174, 216, 3, 522, 648),
    (470, 608, 2, 940, 1216),
    (470, 608, 3, 1410, 1824),
    (446, 446.2, 2, 892, 892.4),
    (462.55, 462.7125, 2, 925.1, 925.425),
    (156, 162.05, 3, 468, 486.15),
    (156, 162.05, 4, 624, 648.2),
    (863, 865, 2, 1726, 1730),
]


@pytest.mark.parametrize(("low", "high", "n", "falls_low", "falls_high"), HARMONICS)
def test_harmonics(low, high, n, falls_low, falls_high):
    rows = products.harmonics(round(low * 1e6), round(high * 1e6), 2_000_000_000)
    row = next(row for row in rows if row.number == n)
    assert (row.low_hz, row.high_hz) == (round(falls_low * 1e6), round(falls_high * 1e6))


def test_harmonics_stop_at_the_range_of_interest():
    assert [row.number for row in products.harmonics(450_000_000, 470_000_000, 960_000_000)] == [2]


LEVEL = st.floats(-90, -10)


@given(LEVEL, LEVEL, st.floats(-20, 30), st.floats(0.1, 20))
def test_one_decibel_more_is_three_decibels_of_product(a, b, iip3, more):
    base = products.product_dbm(FAMILIES["2A-B"], (a, b), iip3)
    both = products.product_dbm(FAMILIES["2A-B"], (a + more, b + more), iip3)
    first = products.product_dbm(FAMILIES["2A-B"], (a + more, b), iip3)
    assert float(both - base) == pytest.approx(3 * more)
    assert float(first - base) == pytest.approx(2 * more)
    assert products.product_dbm(FAMILIES["2A-B"], (a, b), iip3 + more) < base


@given(st.lists(st.integers(0, 400), min_size=4, max_size=5, unique=True))
def test_distinct_carriers_only(marks):
    for family in FAMILIES.values():
        for row in products.products_hz(family, marks)[1]:
            assert len(set(row)) == len(family)
    pairs = list(itertools.permutations(marks, 2))
    assert sorted(products.products_hz(FAMILIES["2A-B"], marks)[0]) == sorted(2 * a - b for a, b in pairs)
