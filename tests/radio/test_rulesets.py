"""The rulesets under fixtures: their shape, their sense, and figures of the rules they quote."""

import datetime
import json
from pathlib import Path

import pytest

from apps.radio import rasters

FOLDER = Path(__file__).parents[2] / "fixtures" / "rulesets"
FILES = sorted(FOLDER.glob("*.json"))
USES = {"hand_held", "body_worn", "in_ear", "intercom", "two_way", "link", "telemetry", "any"}
RULESET = {
    "key": str,
    "name": str,
    "source": str,
    "edition": str,
    "date": str,
    "status": str,
    "television_raster": list,
    "cautions": list,
    "ranges": list,
    "reserved": list,
}
RANGE = {
    "low_hz": int,
    "high_hz": int,
    "use": (str, list),
    "power_mw": (int, float, type(None)),
    "basis": str,
    "licence": str,
    "source": str,
    "status": str,
    "words": str,
}
RESERVED = {
    "low_hz": int,
    "high_hz": int,
    "why": str,
    "source": str,
    "status": str,
    "never_use": bool,
    "words": str,
}


def load(key):
    return json.loads((FOLDER / f"{key}.json").read_text(encoding="utf-8"))


def check_shape(row, shape, where):
    assert list(row) == list(shape), f"{where}: keys {list(row)}"
    for name, types in shape.items():
        assert isinstance(row[name], types), f"{where}: {name} is {row[name]!r}"
        assert types is bool or not isinstance(row[name], bool), f"{where}: {name} is a boolean"
        assert row[name] != "", f"{where}: {name} is empty"


def uses(row):
    return {row["use"]} if isinstance(row["use"], str) else set(row["use"])


def overlaps(a, b):
    return a["low_hz"] < b["high_hz"] and b["low_hz"] < a["high_hz"]


def test_every_region_is_there():
    assert {p.stem for p in FILES} == {"us", "cept", "uk", "australia", "japan", "ask-your-regulator"}


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_shape(path):
    ruleset = load(path.stem)
    check_shape(ruleset, RULESET, path.name)
    assert ruleset["key"] == path.stem
    datetime.date.fromisoformat(ruleset["date"])
    assert ruleset["status"] in {"seen", "memory", "mixed"}
    assert set(ruleset["television_raster"]) <= set(rasters.RASTERS)
    assert ruleset["cautions"] and all(isinstance(c, str) and c for c in ruleset["cautions"])
    for number, row in enumerate(ruleset["ranges"]):
        where = f"{path.name}, range {number}"
        check_shape(row, RANGE, where)
        assert uses(row) <= USES and uses(row), where
        assert row["power_mw"] is None or row["power_mw"] > 0, where
        assert row["basis"] in {"erp", "eirp", "conducted"}, where
        assert row["licence"] in {"required", "by rule", "ask"}, where
    for number, row in enumerate(ruleset["reserved"]):
        check_shape(row, RESERVED, f"{path.name}, reserved {number}")
    for row in ruleset["ranges"] + ruleset["reserved"]:
        assert 0 < row["low_hz"] < row["high_hz"], row
        assert row["status"] in {"seen", "memory"}, row
    statuses = {row["status"] for row in ruleset["ranges"] + ruleset["reserved"]}
    assert ruleset["status"] == "mixed" or statuses >= {ruleset["status"]}


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_nothing_is_offered_where_nothing_may_be_used(path):
    ruleset = load(path.stem)
    for row in ruleset["ranges"]:
        clashes = [r["why"] for r in ruleset["reserved"] if overlaps(row, r)]
        assert not clashes, f"{row['low_hz']}-{row['high_hz']}: {clashes}"


# Radio Regulations footnotes as printed in 47 CFR 2.106(b); the last two from memory.
NEVER_MHZ = [
    (121.5, "distress"), (156.525, "digital calling"), (156.8, "distress"), (161.975, "ships"),
    (162.025, "ships"), (243.0, "distress"), (406.05, "distress"), (75.0, "marker"), (112.0, "navigation"),
    (332.0, "glide path"), (1410.0, "passive"), (1575.42, "satellite navigation"), (1612.0, "astronomy"),
    (2695.0, "passive"), (4995.0, "astronomy"), (1176.45, "satellite navigation"), (5060.0, "aeronautical"),
]  # fmt: skip


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
@pytest.mark.parametrize(("mhz", "why"), NEVER_MHZ)
def test_distress_safety_and_passive_bands_are_never_used(path, mhz, why):
    hz = round(mhz * 1e6)
    rows = [r for r in load(path.stem)["reserved"] if r["never_use"] and r["low_hz"] < hz < r["high_hz"]]
    assert any(why in row["why"] for row in rows)


def test_maritime_rows_have_the_width_of_the_footnotes():
    # 47 CFR 2.106(b): 156.4875-156.5625, 156.7625-156.8375, 161.9625-161.9875 and 162.0125-162.0375 MHz.
    rows = {(r["low_hz"], r["high_hz"]) for r in load("us")["reserved"] if r["never_use"]}
    assert {
        (156_487_500, 156_562_500),
        (156_762_500, 156_837_500),
        (161_962_500, 161_987_500),
        (162_012_500, 162_037_500),
    } <= rows


def best_power(key, mhz, use, licence):
    hz = round(mhz * 1e6)
    rows = [
        row
        for row in load(key)["ranges"]
        if row["low_hz"] <= hz <= row["high_hz"] and {use, "any"} & uses(row) and row["licence"] == licence
    ]
    return max(((row["power_mw"], row["basis"]) for row in rows if row["power_mw"]), default=None)


# (ruleset, MHz, use, licence, (mW, basis)); the source stands in the ruleset too.
POWERS = [
    ("us", 500, "hand_held", "required", (250, "conducted")),  # 47 CFR 74.861(e), Nov 2024
    ("us", 500, "hand_held", "by rule", (50, "eirp")),  # 47 CFR 15.236, Nov 2024
    ("us", 200, "body_worn", "required", (50, "eirp")),  # 47 CFR 74.861(e)
    ("us", 615, "in_ear", "by rule", (20, "eirp")),  # 47 CFR 15.236
    ("us", 655, "in_ear", "required", (20, "eirp")),  # 47 CFR 74.861(e)
    ("us", 660, "in_ear", "by rule", (20, "eirp")),  # 47 CFR 15.236
    ("us", 945, "intercom", "required", (1000, "conducted")),  # 47 CFR 74.861(d)
    ("us", 1480, "hand_held", "required", (250, "conducted")),  # 47 CFR 74.861(d)
    ("us", 1925, "intercom", "by rule", (118, "conducted")),  # 47 CFR 15.319 at 1.4 MHz
    ("us", 462.5625, "two_way", "by rule", (2000, "erp")),  # 47 CFR 95.567
    ("us", 467.5625, "two_way", "by rule", (500, "erp")),  # 47 CFR 95.567
    ("us", 611, "hand_held", "required", None),  # 47 CFR 73.603(c): channel 37
    ("cept", 600, "hand_held", "ask", (50, "erp")),  # national tables of CH, SE, ES
    ("cept", 824, "hand_held", "ask", (20, "eirp")),  # Swiss table for Decision 2014/641/EU
    ("cept", 824, "body_worn", "ask", (100, "eirp")),  # Swiss table
    ("cept", 864, "in_ear", "by rule", (10, "erp")),  # EN 300 422-1 V2.1.2 scope
    ("cept", 1795, "body_worn", "ask", (50, "eirp")),  # Swiss, Swedish and Spanish tables
    ("cept", 446.1, "two_way", "by rule", (500, "erp")),  # ECC/DEC/(15)05
    ("uk", 610, "hand_held", "required", (10, "erp")),  # page quoting the regulator
    ("uk", 610, "body_worn", "required", (50, "erp")),  # page quoting the regulator
    ("australia", 600, "hand_held", "by rule", (100, "eirp")),  # power from memory
    ("australia", 700, "hand_held", "by rule", None),  # regulator's notice 49/2012
    ("japan", 808, "hand_held", "by rule", (10, "conducted")),  # Enforcement Regulation Art. 6(4)
    ("japan", 1252.5, "hand_held", "required", None),  # ministry's notice
]


@pytest.mark.parametrize(("key", "mhz", "use", "licence", "power"), POWERS)
def test_power_limits(key, mhz, use, licence, power):
    assert best_power(key, mhz, use, licence) == power


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_two_way_radios_are_told_what_to_ask_for(path):
    rows = [
        row
        for row in load(path.stem)["ranges"]
        if "two_way" in uses(row) and row["low_hz"] <= 450_000_000 and row["high_hz"] >= 470_000_000
    ]
    assert rows and all(row["licence"] in {"required", "ask"} and "licence" in row["words"] for row in rows)


AUDIO_US_LICENSED = [
    (26.1, 26.48), (54, 72), (76, 88), (161.625, 161.775), (174, 216), (450, 451), (455, 456), (470, 608), (653, 657),
    (941.5, 944), (944, 952), (952.85, 956.25), (956.45, 959.85), (1435, 1525), (6875, 6900), (7100, 7125),
]  # fmt: skip
"""47 CFR 74.802(a)(1), 2019 revision; the same bands as 74.861 names, as amended by 89 FR 83798."""

EDGES = [
    ("us", "required", AUDIO_US_LICENSED),
    # 47 CFR 15.236(a), as amended by 89 FR 83798
    ("us", "by rule", [(54, 72), (76, 88), (174, 216), (470, 608), (614, 616), (657, 663)]),
    # ERC/REC 25-10 Annex 4, A2, A3, A4, A7, A8; Decision 2014/641/EU as national tables carry it (Switzerland, Sweden)
    (
        "cept",
        "ask",
        [
            (174, 216),
            (470, 694),
            (733, 757.5),
            (1350, 1400),
            (1518, 1525),
            (823, 826),
            (826, 832),
            (1785, 1805),
        ],
    ),
    ("cept", "by rule", [(863, 865)]),  # ERC/REC 25-10 Annex 4, A6
    (
        "uk",
        "required",
        [(606.5, 613.5), (960, 1164)],
    ),  # the regulator, as quoted; its consultation of 23 Oct 2015
    ("uk", "by rule", [(863.1, 864.9), (173.8, 175)]),  # the regulator, as quoted; an encyclopaedia
    # class licence of 2015, remade 2025; regulator's notice 49/2012
    ("australia", "by rule", [(520, 694), (1790, 1800)]),
    (
        "japan",
        "by rule",
        [(806, 810), (322, 323), (73.6, 74.8)],
    ),  # Enforcement Regulation Art. 6(4): types B, C, D
    # ministry's notice on type A: 470-710, 710-714, 1240-1260 but for 1252-1253
    ("japan", "required", [(470, 710), (710, 714), (1240, 1252), (1253, 1260)]),
]


@pytest.mark.parametrize(("key", "licence", "edges_mhz"), EDGES)
def test_ranges_end_where_their_source_says(key, licence, edges_mhz):
    rows = [row for row in load(key)["ranges"] if row["licence"] == licence and "body_worn" in uses(row)]
    rows = [(row["low_hz"] / 1e6, row["high_hz"] / 1e6) for row in rows]
    assert set(edges_mhz) <= set(rows)
    if key == "us":
        # Nothing else is opened to microphones: 15.247's ranges are for any use and stand apart.
        assert set(rows) == set(edges_mhz)


CLOSED = [
    # 47 CFR 73.603(c) and 95.2363; 15.236 (2024); 15.236(a)(4) as worded until 2024; the regulator's page
    (
        "us",
        [(608, 614), (616, 617), (617, 652), (652, 653), (663, 698), (698, 806), (1395, 1400), (1427, 1432)],
    ),
    ("australia", [(694, 820)]),  # regulator's notice 49/2012: closed since 1 January 2015
    ("cept", [(1492, 1518)]),  # 47 CFR 2.106(b), 5.341A
    ("japan", [(1252, 1253)]),  # ministry's notice
]


@pytest.mark.parametrize(("key", "edges_mhz"), CLOSED)
def test_closed_ranges_end_where_their_source_says(key, edges_mhz):
    rows = {
        (row["low_hz"] / 1e6, row["high_hz"] / 1e6)
        for row in load(key)["reserved"]
        if row["status"] == "seen"
    }
    assert set(edges_mhz) <= rows


WIDTHS_MHZ = [
    (0.495, 0.505), (2.1735, 2.1905), (74.8, 75.2), (108, 117.975), (117.975, 137), (156.4875, 156.5625),
    (156.7625, 156.8375), (161.9625, 161.9875), (162.0125, 162.0375), (242.95, 243.05), (328.6, 335.4),
    (406.0, 406.1), (1400, 1427), (1559, 1610), (1610.6, 1613.8), (2690, 2700), (4990, 5000),
]  # fmt: skip
"""Radio Regulations footnotes as printed in 47 CFR 2.106(b)."""


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_what_is_never_used_has_the_width_of_its_footnote(path):
    rows = {
        (row["low_hz"] / 1e6, row["high_hz"] / 1e6): row
        for row in load(path.stem)["reserved"]
        if row["never_use"]
    }
    assert set(WIDTHS_MHZ) <= set(rows)
    assert all(rows[edges]["status"] == "seen" for edges in WIDTHS_MHZ)
    # Not found in a text: satellite navigation at 1176 MHz, microwave landing, the width of the messages at 490 kHz.
    for edges in ((1164, 1215), (5030, 5091), (0.49, 0.495)):
        assert rows[edges]["status"] == "memory"


# Powers that no text was found for say so: the rest of each row is confirmed elsewhere.
UNSEEN = [("australia", 600), ("japan", 600), ("japan", 74), ("uk", 174), ("cept", 40), ("cept", 174.0)]


@pytest.mark.parametrize(("key", "mhz"), UNSEEN)
def test_what_was_not_checked_says_so(key, mhz):
    rows = [row for row in load(key)["ranges"] if row["low_hz"] <= mhz * 1e6 <= row["high_hz"]]
    assert any(
        row["status"] == "memory" and "memory" in row["source"] + row["words"] + row["status"] for row in rows
    )


def test_us_licence_by_rule_channels_lie_inside_their_rows():
    # 47 CFR 95.567: 1-7 462.5625 + 25 kHz steps, 8-14 467.5625 + ..., 15-22 462.5500 + ..., 12.5 kHz wide.
    carriers = [462_562_500 + 25_000 * n for n in range(7)] + [462_550_000 + 25_000 * n for n in range(8)]
    rows = [r for r in load("us")["ranges"] if r["use"] == "two_way" and r["licence"] == "by rule"]
    for hz in carriers + [467_562_500 + 25_000 * n for n in range(7)]:
        assert any(r["low_hz"] <= hz - 6_250 and hz + 6_250 <= r["high_hz"] for r in rows), hz
