"""The catalogue and the demo's lists, held against themselves: what a stranger's first start relies on."""

import csv
import json
from datetime import datetime
from pathlib import Path

import pytest
from django.conf import settings

from apps.registry.catalogue import catalogue
from apps.registry.lines import COLUMNS
from coordinator import demonstration

DEMO = Path(settings.BASE_DIR) / "fixtures" / "demo"
EVENT = json.loads((DEMO / "event.json").read_text(encoding="utf-8"))


def rows() -> list[dict]:
    found = []
    for path in sorted((DEMO / "registrations").iterdir()):
        if path.suffix == ".csv":
            with path.open(encoding="utf-8", newline="") as file:
                reader = csv.DictReader(file)
                assert set(reader.fieldnames) <= set(COLUMNS)
                found += list(reader)
        else:
            found += json.loads(path.read_text(encoding="utf-8"))
    return found


def test_the_catalogue_is_complete_in_itself() -> None:
    assert 18 <= len(catalogue()) <= 30
    for code, kind in catalogue().items():
        assert kind["code"] == code
        assert bool(kind["roles"]) == kind["assigned"]
        assert kind["assigned"] or kind["not_assigned_why"]
        for role in kind["roles"]:
            for part in role["tuning"]:
                assert (part["high_hz"] - part["low_hz"]) % part["step_hz"] == 0, code
            assert role["spacing_hz"] >= role["bandwidth_hz"]


@pytest.mark.parametrize(
    ("modulation", "guards"),
    [
        # Common practice, no source: hertz for 2A-B / A+B-C / 3A-2B.
        ("analogue_mono", (100_000, 50_000, 50_000)),
        ("analogue_stereo", (100_000, 75_000, 50_000)),
        ("digital", (75_000, 25_000, None)),
        ("narrow_fm", (12_500, 12_500, None)),
        ("wideband", (None, None, None)),
    ],
)
def test_guards_by_modulation(modulation: str, guards: tuple) -> None:
    found = [
        tuple(role["guards_hz"].get(family) for family in ("2A-B", "A+B-C", "3A-2B"))
        for kind in catalogue().values()
        if kind["modulation"] == modulation
        for role in kind["roles"]
    ]
    assert found and set(found) == {guards}


def test_the_demo_is_as_large_as_a_festival() -> None:
    kinds = catalogue()
    carriers = sum(
        (int(row.get("quantity") or 1) + int(row.get("spares") or 0)) * len(kinds[row["kind"]]["roles"])
        for row in rows()
    )
    assert carriers >= 350
    assert len(EVENT["departments"]) >= 9 and sum(row["confidential"] for row in EVENT["departments"]) == 1
    assert len(EVENT["zones"]) >= 8
    assert len({row["kind"] for row in rows()}) >= 10
    assert any(not kinds[row["kind"]]["assigned"] for row in rows())
    assert any(row.get("fixed_hz") and row["can_change"] == "no" for row in rows())
    assert (DEMO / "late-crew.csv").exists()


def test_every_name_is_known_and_every_hour_inside_the_event() -> None:
    zones, departments = ({row["code"] for row in EVENT[name]} for name in ("zones", "departments"))
    for row in rows():
        assert row["zone"] in zones and row["department"] in departments and row["kind"] in EVENT["kinds"]
        if row.get("start"):
            start, end = datetime.fromisoformat(row["start"]), datetime.fromisoformat(row["end"])
            assert EVENT["starts_on"] <= start.date().isoformat() and start < end
            assert end.date().isoformat() <= EVENT["ends_on"]


def test_the_demos_invented_surveys_hold_what_their_pages_are_to_show() -> None:
    """Noise, television, a stranger, and of the event's own carriers all but every seventh."""
    invented = EVENT["surveys"]
    own = [
        {"zone": "north", "frequency_hz": 550_100_000 + 500_000 * number, "bandwidth_hz": 200_000}
        for number in range(14)
    ]
    text = demonstration._sweep(invented, invented["show"], own).decode().splitlines()
    levels = {round(float(mhz) * 1e6): float(dbm) for mhz, dbm in (line.split(";") for line in text[1:])}
    assert len(levels) == (invented["high_hz"] - invented["low_hz"]) // invented["step_hz"] + 1
    seen = [levels[row["frequency_hz"]] > -75 for row in own]
    assert seen == [number % 7 != 0 for number in range(1, 15)]
    assert levels[611_300_000] > -80 and levels[470_100_000] < -98 and levels[482_000_000] > -85
    assert {row["state"] for row in EVENT["permissions"]} == {"asked", "granted", "refused"}
