"""Surveys against what an instrument's text says, plain medians, and the noise of a resistor."""

import math
import random
import statistics
import tracemalloc

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from apps.radio import surveys
from apps.radio.rasters import channels
from apps.radio.surveys import Points, Reader, Trace, Unreadable
from apps.radio.units import thermal_noise_dbm

NAN = float("nan")


def read(text: str, unit: str = "", piece: int = 7) -> Points:
    reader = Reader(unit)
    for start in range(0, len(text), piece):
        reader.feed(text[start : start + piece])
    return reader.finish()


def refused(text: str, unit: str = "") -> Unreadable:
    with pytest.raises(Unreadable) as caught:
        read(text, unit)
    return caught.value


def trace_of(levels: list[float], low_hz: int = 470_000_000, step_hz: int = 25_000) -> Trace:
    return Trace(low_hz, step_hz, np.array(levels, np.float32))


# -- reading --------------------------------------------------------------------------------

SAID = ([470_000_000, 470_025_000, 470_050_000], [-101.5, -80.25, -99.0])


@pytest.mark.parametrize(
    ("text", "unit", "separator"),
    [
        ("470.0,-101.5\n470.025,-80.25\n470.05,-99\n", "MHz", "comma"),
        ("470000;-101.5\r\n470025;-80.25\r\n470050;-99\r\n", "kHz", "semicolon"),
        ("470000000\t-101.5\n470025000\t-80.25\n470050000\t-99", "Hz", "tab"),
        ("470,0;-101,5\n470,025;-80,25\n470,05;-99,0\n", "MHz", "semicolon"),
        ("Frequency (MHz), Level (dBm)\n\n470, -101.5\n470.025, -80.25,\n470.05, -99\n", "MHz", "comma"),
        ("site: quay; RBW 10 kHz\nHz\tdBm\n4.7e8\t-101.5\n4.70025e8\t-80.25\n4.7005e8\t-99\n", "Hz", "tab"),
        ("GHz;dBm\n0.47;-101.5\n0.470025;-80.25\n0.47005;-99\n", "GHz", "semicolon"),
    ],
)
def test_two_columns_are_understood(text, unit, separator):
    for piece in (1, 7, 10_000):
        points = read(text, piece=piece)
        assert (points.hz.tolist(), points.level_dbm.tolist()) == SAID
        assert (points.unit, points.separator) == (unit, separator)


def test_a_told_unit_counts_before_all_others():
    assert read("Frequency (MHz);dBm\n470000;-90\n", unit="kHz").hz.tolist() == [470_000_000]


def test_every_fault_is_named_with_its_line_and_a_remedy():
    refusal = refused("MHz;dBm\n470;-100\n470.1\n471;loud\n-3;-90\n472;-90;-80\n473;99\n474;-90\n")
    said = [(fault.row, fault.field, fault.value) for fault in refusal.faults]
    assert said == [
        (3, "", "470.1"), (4, "level", "loud"), (5, "frequency", "-3"), (6, "", "472;-90;-80"), (7, "level", "99"),
    ]  # fmt: skip
    assert all("use" in fault.message or "give" in fault.message for fault in refusal.faults)


def test_a_thousand_faults_are_counted_and_a_hundred_told():
    refusal = refused("470;-100\n" + "471;?\n" * 1000)
    assert (refusal.count, len(refusal.faults)) == (1000, surveys.MOST_FAULTS)


@pytest.mark.parametrize(
    ("text", "field", "word"),
    [
        ("", "file", "two columns"),
        ("hello\nworld\n", "file", "two columns"),
        ("PK\0\0\1\n", "file", "text"),
        ("470 -100\n" * 300, "", "tab, semicolon or comma"),
        ("Frequency MHz;Level dBµV\n470;20\n", "level", "less 107"),
        ("Frequency MHz;Level dBm\n470000000;-20\n", "frequency", "Say which unit"),
    ],
)
def test_what_is_no_survey_is_refused_in_words(text, field, word):
    refusal = refused(text)
    assert refusal.faults[0].field == field
    assert word in refusal.faults[0].message


def test_too_many_points_are_refused(monkeypatch):
    monkeypatch.setattr(surveys, "MOST_POINTS", 100)
    refusal = refused("".join(f"{470 + i / 100},-90\n" for i in range(500)))
    assert [(fault.field, fault.value) for fault in refusal.faults] == [("points", "more than 100")]


@given(
    st.lists(st.tuples(st.integers(1, 300_000_000), st.floats(-250, 60, width=32)), min_size=1, max_size=30),
    st.integers(1, 50),
)
def test_whatever_is_written_is_read_back(rows, piece):
    points = read("".join(f"{khz};{level!r}\n" for khz, level in rows), unit="kHz", piece=piece)
    assert points.hz.tolist() == [khz * 1000 for khz, _ in rows]
    assert points.level_dbm.tolist() == [pytest.approx(level, rel=1e-6, abs=1e-6) for _, level in rows]


# -- traces ---------------------------------------------------------------------------------


def test_what_is_read_in_pieces_takes_memory_for_its_points_and_not_for_its_text():
    """Two numbers of 8 bytes a point are kept; 64 bytes a point are less than the words of a line would take."""
    count, a_piece = 400_000, 20_000
    tracemalloc.start()
    try:
        reader = Reader()
        for start in range(0, count, a_piece):
            lines = (
                f"{470 + k * 112e-6:.6f};{-108 + k * 7919 % 97 / 40:.2f}\n"
                for k in range(start, start + a_piece)
            )
            reader.feed("".join(lines))
            assert reader.points <= start + a_piece
        found = surveys.trace(reader.finish())
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert reader.points == count and found.level_dbm.size <= surveys.MOST_CELLS
    assert peak < 64 * count + 8_000_000


def test_a_trace_holds_the_highest_of_each_cell():
    hz = np.arange(470_000_000, 471_000_000, 1000)
    level = np.array([random.Random(7).uniform(-120, -60) for _ in hz], np.float32)
    random.Random(3).shuffle(order := list(range(len(hz))))
    found = surveys.trace(Points(hz[order], level[order], "", "", "", ""), most_cells=101)
    assert found.step_hz == 9990 and found.low_hz == 470_000_000
    for cell, centre in enumerate(found.hz):
        near = [float(b) for a, b in zip(hz, level, strict=True) if -4995 <= a - centre < 4995]
        assert float(found.level_dbm[cell]) == max(near)


def test_cells_that_nobody_measured_are_empty():
    hz = np.array([*range(174_000_000, 174_500_000, 25_000), *range(470_000_000, 470_500_000, 25_000)])
    found = surveys.trace(Points(hz, np.full(40, -90, np.float32), "", "", "", ""))
    assert found.step_hz == 25_000
    assert np.isnan(found.between(175e6, 469e6)).all()
    assert np.isfinite(found.level_dbm).sum() == 40


@given(st.lists(st.lists(st.floats(-120, 0, width=16), min_size=12, max_size=12), min_size=1, max_size=6))
def test_hold_and_median_over_surveys(rows):
    # Oracle: max() and statistics.median of the standard library.
    highest, median = surveys.together([trace_of(row) for row in rows])
    for cell, levels in enumerate(zip(*rows, strict=True)):
        assert float(highest.level_dbm[cell]) == pytest.approx(max(levels), abs=1e-4)
        assert float(median.level_dbm[cell]) == pytest.approx(statistics.median(levels), abs=1e-4)


def test_surveys_of_different_stretches_and_steps_lie_on_one_axis():
    fine = trace_of([-100, -90, -100, -100], step_hz=10_000)
    coarse = trace_of([-70, -80], low_hz=470_100_000, step_hz=50_000)
    highest, median = surveys.together([fine, coarse])
    assert (highest.low_hz, highest.step_hz, highest.high_hz) == (470_000_000, 50_000, 470_150_000)
    assert highest.level_dbm.tolist() == pytest.approx([-90, -100, -70, -80])
    assert median.level_dbm.tolist() == pytest.approx([-90, -100, -70, -80])


@given(
    st.integers(1, 40),
    st.lists(st.one_of(st.floats(-120, 0, width=16), st.just(NAN)), min_size=1, max_size=60),
)
def test_the_running_median_is_the_median_of_the_window(half, levels):
    # Oracle: numpy.nanmedian of each window; windows up to 31 cells are exact.
    width = 2 * min(half, 15) + 1
    found = surveys._running_median(np.array(levels, np.float32), width)
    for at in range(len(levels)):
        window = np.array(levels[max(0, at - width // 2) : at + width // 2 + 1], np.float32)
        wanted = NAN if np.isnan(window).all() else float(np.nanmedian(window))
        assert float(found[at]) == pytest.approx(wanted, abs=1e-3, nan_ok=True)


# -- floor and receivers --------------------------------------------------------------------


def rayleigh_noise(count: int, mean_dbm: float, seed: int = 0) -> np.ndarray:
    """Single looks at white noise: exponential power, as the envelope of narrow-band noise has (Rayleigh)."""
    rng = np.random.default_rng(seed)
    return (mean_dbm + 10 * np.log10(rng.exponential(size=count))).astype(np.float32)


def test_the_floor_is_found_under_television_and_carriers():
    level = rayleigh_noise(5520, -110)
    level[1000:2600] = rayleigh_noise(1600, -70, 1)  # television over 29 % of it
    level[::97] = -40  # and many carriers
    found = Trace(470_000_000, 25_000, level)
    # The median of exponential power lies 10·log10(ln 2) = 1.59 dB below its mean.
    assert surveys.floor_dbm(found) == pytest.approx(-110 - 1.59, abs=1.5)


@pytest.mark.parametrize(
    ("bandwidth_hz", "noise_dbm"),
    [(12_500, -133.01), (25_000, -130.00), (200_000, -120.96), (600_000, -116.19), (8_000_000, -104.94)],
)
def test_noise_grows_with_bandwidth_as_that_of_a_resistor_does(bandwidth_hz, noise_dbm):
    # kTB at 290 K: Boltzmann's constant is exact in the SI; the figures are its 10·log10 (also in ITU-R P.372).
    assert float(thermal_noise_dbm(bandwidth_hz)) == pytest.approx(noise_dbm, abs=0.01)
    in_ten_kilohertz = trace_of([float(thermal_noise_dbm(10_000)) + 30] * 400)
    wider = surveys.at_receiver(in_ten_kilohertz, -130, 10_000, bandwidth_hz)
    assert np.nanmax(wider.level_dbm) == pytest.approx(noise_dbm + 30, abs=0.01)
    assert surveys.scaled(in_ten_kilohertz, 10_000, bandwidth_hz).level_dbm[0] == pytest.approx(
        noise_dbm + 30, abs=0.01
    )


def test_a_carrier_is_not_scaled_and_what_is_near_the_floor_does_not_count():
    level = [-110.0] * 400
    level[100] = -60.0  # a carrier
    level[200] = -105.0  # five over the floor: the instrument may have made it
    found = surveys.at_receiver(trace_of(level), -110, 10_000, 200_000)
    counted = {
        int(hz): float(dbm) for hz, dbm in zip(found.hz, found.level_dbm, strict=True) if not math.isnan(dbm)
    }
    assert counted == {470_000_000 + 100 * 25_000: -60.0}


def test_the_grass_between_two_carriers_is_grass():
    level = [-110.0] * 400
    level[100:108] = level[110:118] = [-50.0] * 8
    standing = surveys.standing_out(trace_of(level), -110)
    assert np.flatnonzero(~np.isnan(standing.level_dbm)).tolist() == [*range(100, 108), *range(110, 118)]


def test_noise_of_the_instrument_alone_costs_next_to_nothing():
    found = Trace(470_000_000, 25_000, rayleigh_noise(5520, -110))
    at = surveys.at_receiver(found, surveys.floor_dbm(found), 10_000, 200_000)
    assert np.isfinite(at.level_dbm).mean() < 0.02


def test_a_wide_signal_counts_in_its_own_width_and_not_beyond():
    level = np.full(800, -110, np.float32)
    level[320:640] = -80  # eight megahertz of television
    found = surveys.at_receiver(Trace(470_000_000, 25_000, level), -110, 10_000, 200_000)
    over = surveys.stretches(found, -90)
    assert len(over) == 1
    assert (over[0].low_hz, over[0].high_hz) == pytest.approx((478_000_000, 486_000_000), abs=25_000)
    assert over[0].peak_dbm == pytest.approx(-80 + 10 * math.log10(20), abs=0.01)


# -- stretches ------------------------------------------------------------------------------


def test_own_carriers_are_taken_out_with_their_skirts():
    level = [-110.0] * 400
    for cell in (99, 100, 101, 300):
        level[cell] = -50.0
    rest = surveys.without(trace_of(level), [(472_500_000, 200_000)], 10_000)
    assert [row.peak_hz for row in surveys.stretches(rest, -90)] == [477_500_000]
    assert np.isnan(rest.between(472_375_000, 472_625_000)).all()
    assert np.isfinite(rest.between(472_650_000, 473_000_000)).all()


def test_under_a_carrier_lies_what_lies_beside_it():
    level = [-110.0] * 200 + [-80.0] * 200
    level[100] = level[300] = -40.0
    rest = surveys.under(trace_of(level), [(472_500_000, 200_000), (477_500_000, 200_000)], 10_000)
    assert rest.level_dbm.tolist() == pytest.approx([-110.0] * 200 + [-80.0] * 200)
    # Under a carrier that stands where noise begins it lies between the two.
    edge = surveys.under(trace_of(level), [(475_000_000, 200_000)], 10_000).between(475e6, 475e6)
    assert -110 < float(edge[0]) < -80


def test_stretches_over_a_threshold_join_where_the_gap_is_small():
    found = trace_of([-110, -80, -80, -110, -75, NAN, -110, -110, -110, -60])
    apart = surveys.stretches(found, -90)
    assert [(row.low_hz, row.high_hz, row.peak_dbm) for row in apart] == [
        (470_012_500, 470_062_500, -80), (470_087_500, 470_112_500, -75), (470_212_500, 470_237_500, -60),
    ]  # fmt: skip
    joined = surveys.stretches(found, -90, join_hz=60_000)
    assert [(row.low_hz, row.peak_hz, row.peak_dbm) for row in joined] == [
        (470_012_500, 470_100_000, -75),
        (470_212_500, 470_225_000, -60),
    ]
    assert surveys.stretches(found, -50) == []


def test_columns_of_a_drawing_hold_the_highest():
    found = trace_of([-110, -80, NAN, NAN, -75, -90])
    assert surveys.columns(found, 470_000_000, 470_150_000, 3) == [-80, None, -75]
    # Parts narrower than a cell show the nearest cell.
    assert surveys.columns(found, 470_020_000, 470_030_000, 4) == [-80] * 4


def test_american_channels_are_six_megahertz_wide():
    # Common practice, no source: channels of 6 MHz, twelve of them 72 MHz.
    twelve = channels("us", 470_000_000, 542_000_000)
    assert [row.name for row in twelve] == [str(number) for number in range(14, 26)]
    assert {row.high_hz - row.low_hz for row in twelve} == {6_000_000}
