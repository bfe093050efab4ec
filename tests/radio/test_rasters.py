"""Television rasters against published channel lists."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from apps.radio import rasters

# (raster, channel, lower edge, centre, upper edge in MHz)
CHANNELS = [
    # 47 CFR 73.603 as amended 2021
    *[("us", *row) for row in [
        ("2", 54, 57, 60), ("4", 66, 69, 72), ("5", 76, 79, 82), ("6", 82, 85, 88), ("7", 174, 177, 180),
        ("13", 210, 213, 216), ("14", 470, 473, 476), ("20", 506, 509, 512), ("30", 566, 569, 572),
        ("36", 602, 605, 608), ("37", 608, 611, 614),
    ]],
    # the former rule of 47 CFR 73.603
    ("us", "38", 614, 617, 620),
    ("us", "51", 692, 695, 698),
    # 474 MHz + 8 MHz steps, published by national regulators; 49 to 69 former
    *[("europe-uhf", *row) for row in [
        ("21", 470, 474, 478), ("22", 478, 482, 486), ("25", 502, 506, 510), ("30", 542, 546, 550),
        ("35", 582, 586, 590), ("38", 606, 610, 614), ("39", 614, 618, 622), ("40", 622, 626, 630),
        ("45", 662, 666, 670), ("48", 686, 690, 694), ("60", 782, 786, 790), ("69", 854, 858, 862),
    ]],
    # from memory (GE06); agrees with a published 177.5 to 226.5 MHz scan list
    *[("europe-vhf", *row) for row in [
        ("5", 174, 177.5, 181), ("6", 181, 184.5, 188), ("7", 188, 191.5, 195), ("8", 195, 198.5, 202),
        ("9", 202, 205.5, 209), ("10", 209, 212.5, 216), ("11", 216, 219.5, 223), ("12", 223, 226.5, 230),
    ]],
    # the Australian regulator's television channel list
    *[("australia", *row) for row in [
        ("6", 174, 177.5, 181), ("7", 181, 184.5, 188), ("8", 188, 191.5, 195), ("9", 195, 198.5, 202),
        ("9A", 202, 205.5, 209), ("10", 209, 212.5, 216), ("11", 216, 219.5, 223), ("12", 223, 226.5, 230),
        ("28", 526, 529.5, 533), ("29", 533, 536.5, 540), ("30", 540, 543.5, 547), ("32", 554, 557.5, 561),
        ("35", 575, 578.5, 582), ("38", 596, 599.5, 603), ("40", 610, 613.5, 617), ("44", 638, 641.5, 645),
        ("46", 652, 655.5, 659), ("48", 666, 669.5, 673), ("50", 680, 683.5, 687), ("51", 687, 690.5, 694),
    ]],
    # the Japanese white-space coordination body's channel list
    *[("japan", *row) for row in [
        ("13", 470, 473, 476), ("14", 476, 479, 482), ("16", 488, 491, 494), ("18", 500, 503, 506),
        ("20", 512, 515, 518), ("24", 536, 539, 542), ("28", 560, 563, 566), ("30", 572, 575, 578),
        ("36", 608, 611, 614), ("40", 632, 635, 638), ("50", 692, 695, 698), ("52", 704, 707, 710),
    ]],
]  # fmt: skip


@pytest.mark.parametrize(("raster", "channel", "low_mhz", "centre_mhz", "high_mhz"), CHANNELS)
def test_channel_edges(raster, channel, low_mhz, centre_mhz, high_mhz):
    low_hz, high_hz = rasters.channel_edges(raster, channel)
    assert (low_hz, high_hz) == (low_mhz * 1_000_000, high_mhz * 1_000_000)
    assert rasters.channel_at(raster, low_hz, former=True) == channel
    assert rasters.channel_at(raster, int(centre_mhz * 1e6), former=True) == channel
    assert rasters.channel_at(raster, high_hz - 1, former=True) == channel


def test_between_channels_there_is_none():
    # 47 CFR 73.603: nothing between 72 and 76 MHz, between 88 and 174 MHz, nor below channel 14 in UHF.
    for mhz in (53, 72, 75.999999, 100, 216, 469.999999):
        assert rasters.channel_at("us", int(mhz * 1e6)) is None


def test_former_channels_only_when_asked():
    # The table of 47 CFR 73.603 holds channels 2 to 37 only since 2021.
    assert rasters.channel_at("us", 695_000_000) is None
    assert rasters.channel_at("us", 695_000_000, former=True) == "51"
    assert [c.name for c in rasters.channels("us", 600_000_000, 630_000_000)] == ["35", "36", "37"]


def test_channel_37_lies_between_36_and_38():
    # 47 CFR 73.603(c): channel 37 is reserved; leaving it out parts 36 from 38 by its own 6 MHz.
    assert rasters.channel_edges("us", "36")[1] == rasters.channel_edges("us", "37")[0]
    assert rasters.channel_edges("us", "38")[0] - rasters.channel_edges("us", "36")[1] == 6_000_000


def test_twelve_channels_are_72_mhz():
    # common practice, no source: a 72 MHz tuning range is twelve channels of 6 MHz
    assert len(rasters.channels("us", 470_000_000, 542_000_000)) == 12


def test_same_number_elsewhere_is_another_frequency():
    # Both start at 174 MHz, Europe with 5 and Australia with 6; the inserted 9A brings them together at 10.
    for number in ("6", "7", "8", "9"):
        assert rasters.channel_edges("australia", number) != rasters.channel_edges("europe-vhf", number)
    for number in ("10", "11", "12"):
        assert rasters.channel_edges("australia", number) == rasters.channel_edges("europe-vhf", number)
    assert rasters.channel_edges("us", "30") != rasters.channel_edges("europe-uhf", "30")


def test_unknown_names_are_refused_by_name():
    with pytest.raises(ValueError, match=r"'mars'.*europe-uhf"):
        rasters.channel_at("mars", 500_000_000)
    with pytest.raises(ValueError, match=r"'us'.*'99'"):
        rasters.channel_edges("us", "99")


@given(st.sampled_from(sorted(rasters.RASTERS)), st.integers(40_000_000, 900_000_000))
def test_a_frequency_lies_inside_the_channel_that_is_named(raster, hz):
    name = rasters.channel_at(raster, hz, former=True)
    covering = [c.name for c in rasters.RASTERS[raster].channels if c.low_hz <= hz < c.high_hz]
    assert covering == ([] if name is None else [name])
