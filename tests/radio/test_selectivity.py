"""Frequency-dependent rejection against SM.337 rectangles and plain quadrature; separations."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from apps.radio import selectivity
from apps.radio.selectivity import Rejection, emission, receiver_filter, rectangle, symmetrical
from apps.radio.units import power_ratio, thermal_noise_dbm

# ITU-R SM.337-6 definitions with rectangular spectra: kHz sent, received, apart; OTR, OFR and FDR in dB.
RECTANGLES = [
    (200, 200, 0, 0.0, 0.0, 0.0),
    (200, 200, 100, 0.0, 3.01, 3.01),
    (200, 200, 180, 0.0, 10.00, 10.00),
    (200, 200, 200, 0.0, math.inf, math.inf),
    (200, 200, 500, 0.0, math.inf, math.inf),
    (600, 200, 0, 4.771, 0.0, 4.771),
    (600, 200, 300, 4.771, 3.01, 7.782),
    (6_000, 200, 0, 14.771, 0.0, 14.771),
    (7_000, 200, 0, 15.441, 0.0, 15.441),
    (8_000, 200, 0, 16.021, 0.0, 16.021),
    (20_000, 200, 0, 20.0, 0.0, 20.0),
]


@pytest.mark.parametrize(("sent", "received", "apart", "otr", "ofr", "fdr"), RECTANGLES)
def test_rectangles(sent, received, apart, otr, ofr, fdr):
    tx, rx = rectangle(sent * 1e3), rectangle(received * 1e3)
    assert selectivity.on_tune_rejection_db(tx, rx) == pytest.approx(otr, abs=0.002)
    for sign in (1, -1):
        offset = sign * apart * 1e3
        assert float(selectivity.off_frequency_rejection_db(tx, rx, offset)) == pytest.approx(ofr, abs=0.002)
        assert float(selectivity.frequency_dependent_rejection_db(tx, rx, offset)) == pytest.approx(
            fdr, abs=0.002
        )


@pytest.mark.parametrize("offset_hz", [0.0, 130e3, 333e3, 1.2e6])
@pytest.mark.parametrize("modulation", ["analogue mono", "digital", "dense digital", "analogue stereo"])
def test_the_closed_form_agrees_with_quadrature(modulation, offset_hz):
    # scipy's adaptive quadrature of the same two curves, piece by piece.
    tx, rx = emission(modulation, 200e3), receiver_filter("digital", 200e3)

    def level(spectrum, f):
        piece = np.searchsorted(spectrum.edges_hz, f, side="right") - 1
        if not 0 <= piece < len(spectrum.start_db):
            return -np.inf
        share = (f - spectrum.edges_hz[piece]) / (spectrum.edges_hz[piece + 1] - spectrum.edges_hz[piece])
        return spectrum.start_db[piece] + share * (spectrum.end_db[piece] - spectrum.start_db[piece])

    edges = sorted({*tx.edges_hz, *(e + offset_hz for e in rx.edges_hz)})
    total = sum(
        quad(
            lambda f: float(power_ratio(level(tx, f) + level(rx, f - offset_hz))), a, b, epsabs=0, epsrel=1e-9
        )[0]
        for a, b in itertools.pairwise(edges)
        if b > a
    )
    assert float(selectivity.overlap(tx, rx, offset_hz)) == pytest.approx(total, rel=1e-6)


def test_a_sinusoidal_interferer_sees_the_filter_alone():
    # A line far narrower than the filter's slopes: FDR is the response at that offset (SM.337 eq. 2).
    rx = receiver_filter("digital", 200e3, 80.0)
    line = rectangle(1.0)
    assert float(selectivity.frequency_dependent_rejection_db(line, rx, 160e3)) == pytest.approx(
        50.0, abs=0.01
    )
    assert float(selectivity.frequency_dependent_rejection_db(line, rx, 30e6)) == pytest.approx(
        80.0, abs=0.01
    )


def test_far_away_noise_and_blocking_add():
    # Flat channel of 200 kHz, noise floor -90 dB and blocking 90 dB: two equal parts, 3 dB under either.
    tx = symmetrical([(0, 0), (100e3, 0), (100e3, -90)])
    rx = symmetrical([(0, 0), (100e3, 0), (100e3, -90)])
    assert float(selectivity.frequency_dependent_rejection_db(tx, rx, 5e6)) == pytest.approx(87.0, abs=0.05)


# EN 300 422-1 breakpoints, from memory: modulation, offset in bandwidths, dB.
@pytest.mark.parametrize(
    ("modulation", "offset", "level"),
    [
        ("analogue mono", 0.5, -60.0),
        ("analogue mono", 1.0, -80.0),
        ("digital", 0.5, -30.0),
        ("digital", 1.0, -50.0),
        ("digital", 1.75, -80.0),
        ("wideband", 0.5, -40.0),
        ("wideband", 1.0, -60.0),
    ],
)
def test_mask_breakpoints(modulation, offset, level):
    spectrum = emission(modulation, 200e3)
    ends = dict(zip(spectrum.edges_hz[1:], spectrum.end_db, strict=True))
    starts = dict(zip(spectrum.edges_hz[:-1], spectrum.start_db, strict=True))
    assert level in (ends[offset * 200e3], starts[offset * 200e3])


def test_two_way_adjacent_channel():
    # EN 300 086 (from memory): at least 60 dB adjacent-channel selectivity in 12.5 kHz.
    line = rectangle(1.0)
    rx = receiver_filter("two-way", 12_500, 84.0)
    assert float(selectivity.frequency_dependent_rejection_db(line, rx, 12_500)) >= 60.0


def test_blocking_of_a_microphone_receiver():
    # 50 mW at 3 m arrives at -20.6 dBm (P.525). With 80 dB of blocking and a noise of -114.96 dBm
    # (IEEE 802.22-09/0068r2) it stays 20.4 dB too strong for I/N = -6 dB (Radio Regulations No. 5.225A).
    excess = selectivity.blocking_excess_db(-20.6, 80.0, float(thermal_noise_dbm(200e3, 6.0)))
    assert excess == pytest.approx(20.36, abs=0.01)


def test_compression_lies_under_the_intercept():
    # Cubic nonlinearity by hand: gain falls 1 dB where 3/4·a3·A² = 1 - 10^(-1/20), -9.64 dB on the intercept.
    assert (
        pytest.approx(-10 * math.log10(1 - 10 ** (-1 / 20)), abs=0.005)
        == selectivity.COMPRESSION_BELOW_IIP3_DB
    )
    # A pack at 0.6 m arrives near -14 dBm: 5.64 dB over the compression point of an IIP3 of -10 dBm.
    assert selectivity.overload_db(-14.0, -10.0) == pytest.approx(5.64)


def test_separation_is_the_smallest_sufficient_offset():
    rejection = Rejection(emission("digital", 200e3), receiver_filter("digital", 200e3))
    found = rejection.separation(60.0)
    assert found.short_db == 0.0
    assert float(rejection.at(found.min_hz)) >= 60.0
    below = selectivity.OFFSETS_HZ[found.min_hz > selectivity.OFFSETS_HZ][-1]
    fdr = selectivity.frequency_dependent_rejection_db(rejection.emission, rejection.response, below)
    assert float(fdr) < 60.0


def test_what_no_offset_gives_is_said():
    rejection = Rejection(emission("digital", 200e3), receiver_filter("digital", 200e3, 80.0))
    found = rejection.separation(100.0)
    assert float(rejection.at(found.min_hz)) == pytest.approx(float(rejection.table_db[-1]), abs=0.5)
    assert found.short_db == pytest.approx(100.0 - float(rejection.table_db[-1]))


def test_separation_at_a_coupling_loss():
    # 17 dBm over 37.55 dB (P.525, 3 m at 600 MHz) to a threshold of -94.55 dBm needs 74.0 dB of rejection.
    rejection = Rejection(emission("digital", 200e3), receiver_filter("digital", 200e3))
    assert rejection.separation_over(17.0, 37.55, -94.55) == rejection.separation(74.0)
    assert rejection.separation_over(17.0, 120.0, -94.55).min_hz == 0


def test_a_response_further_off_is_not_forgotten():
    # A filter with a second response at 2 MHz of -40 dB: what needs 50 dB has to go beyond it.
    shape = [(0, 0), (100e3, 0), (100e3, -80), (1.9e6, -80), (1.9e6, -40), (2.1e6, -40), (2.1e6, -80)]
    rejection = Rejection(emission("digital", 200e3), symmetrical(shape))
    fdr = selectivity.frequency_dependent_rejection_db(rejection.emission, rejection.response, 1e6)
    assert float(fdr) > 70.0
    assert float(rejection.at(1e6)) < 45.0
    assert rejection.separation(50.0).min_hz > 2_100_000


def test_no_need_is_no_separation():
    rejection = Rejection(emission("digital", 200e3), receiver_filter("digital", 200e3))
    assert rejection.separation(-3.0).min_hz == 0


def test_points_out_of_order_are_refused():
    with pytest.raises(ValueError, match="start at 0"):
        symmetrical([(100e3, 0.0)])
    with pytest.raises(ValueError, match="not fall"):
        symmetrical([(0.0, 0.0), (2.0, 0.0), (1.0, -3.0)])


MODULATIONS = st.sampled_from(sorted(selectivity.EMISSION_MASKS))
WIDTHS = st.sampled_from([12_500, 25_000, 100_000, 200_000, 400_000])


@given(MODULATIONS, MODULATIONS, WIDTHS, WIDTHS, st.floats(0, 100), st.floats(0, 40))
def test_more_need_is_more_separation(tx, rx, tx_hz, rx_hz, needed_db, more_db):
    rejection = Rejection(emission(tx, tx_hz), receiver_filter(rx, rx_hz))
    less, more = rejection.separation(needed_db), rejection.separation(needed_db + more_db)
    assert more.min_hz >= less.min_hz or more.short_db > 0
    assert more.short_db >= less.short_db


@given(MODULATIONS, MODULATIONS, WIDTHS, st.floats(5, 75))
def test_a_narrower_filter_never_asks_for_more(tx, rx, width_hz, needed_db):
    wide = Rejection(emission(tx, 200e3), receiver_filter(rx, width_hz))
    narrow = Rejection(emission(tx, 200e3), receiver_filter(rx, width_hz / 2))
    assert narrow.separation(needed_db).min_hz <= wide.separation(needed_db).min_hz


@given(MODULATIONS, WIDTHS, st.floats(60, 100), st.floats(0, 20))
def test_a_quieter_transmitter_and_a_harder_receiver_reject_more(
    modulation, width_hz, blocking_db, better_db
):
    def far(floor_db, blocking):
        pair = emission(modulation, width_hz, floor_db), receiver_filter(modulation, width_hz, blocking)
        return float(selectivity.frequency_dependent_rejection_db(*pair, 20e6))

    usual = far(-90.0, blocking_db)
    assert far(-90.0 - better_db, blocking_db) >= usual - 1e-6
    assert far(-90.0, blocking_db + better_db) >= usual - 1e-6
