"""Benchmark events of any size: invented, but shaped like a large outdoor event.

Stages lie in a field; each is three zones: the antennas that receive its microphones, the floor where packs are worn, and
the rack of its in-ear transmitters. Acts follow each other slot by slot with equipment of their own, house systems are on
all day, crews walk between two stages, radios work through repeaters, camera links are wideband, neighbours are fixed,
and part of the television channels is taken. Every number is this repository's own invention: a benchmark, no advice.
"""

import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

MHZ = 1_000_000
KHZ = 1_000
TELEVISION = range(470 * MHZ, 694 * MHZ, 8 * MHZ)
FAINTEST_DB = -46.0  # nobody lists what is heard more faintly
NEIGHBOURHOOD_DB = -50.0  # nor owes it a distance


@dataclass(frozen=True)
class Equipment:
    """A kind of device as this benchmark knows it; frequencies in hertz, `share` of a stage's carriers."""

    bandwidth_hz: int
    step_hz: int
    share: float
    ranges_hz: tuple[tuple[int, int], ...]
    sent: str
    received: str
    level_db: float = 0.0
    mixes: bool = True


KINDS = {
    "mic": Equipment(200 * KHZ, 25 * KHZ, 0.48, ((470, 540), (518, 598), (566, 636), (606, 694)), "floor", "antennas"),
    "iem": Equipment(200 * KHZ, 25 * KHZ, 0.20, ((470, 526), (526, 582), (582, 638), (638, 694)), "rack", "floor"),
    "intercom": Equipment(200 * KHZ, 25 * KHZ, 0.10, ((470, 518), (566, 614), (630, 694)), "floor", "antennas", -3.0),
    "cue": Equipment(180 * KHZ, 25 * KHZ, 0.06, ((518, 566), (614, 662)), "rack", "floor", -3.0),
    "radio": Equipment(11 * KHZ, 6_250, 0.12, ((450, 460),), "floor", "floor"),
    "camera": Equipment(8 * MHZ, MHZ, 0.04, ((2025, 2110), (2200, 2500)), "floor", "antennas", mixes=False),
}  # fmt: skip
# Least distance of two kinds at one stage in kHz; half of it at the next one. Kinds far apart in frequency owe nothing.
APART_KHZ = {
    ("mic", "mic"): 325, ("mic", "iem"): 1100, ("mic", "intercom"): 425, ("mic", "cue"): 750, ("iem", "iem"): 425,
    ("iem", "intercom"): 725, ("iem", "cue"): 475, ("intercom", "intercom"): 400, ("intercom", "cue"): 525,
    ("cue", "cue"): 450, ("radio", "radio"): 25, ("camera", "camera"): 10_000,
}  # fmt: skip
# How loud one zone of a stage is at another one's receivers, 0 being the loudest heard there.
WITHIN_DB = {
    ("antennas", "floor"): -9.0, ("antennas", "rack"): 0.0, ("floor", "floor"): 0.0, ("floor", "rack"): -6.0,
    ("rack", "rack"): 0.0,
}  # fmt: skip


def event(
    *, carriers: int = 1000, stages: int = 12, slots: int = 20, seed: int = 1, taken: float = 0.3
) -> dict[str, Any]:
    """A planning problem (planning-problem/1) of so many carriers, stages and slots. Same arguments, same event.

    `taken` is the share of television channels that are not to be used.
    """
    pick = random.Random(seed)
    places = _places(pick, stages)
    names = [f"slot{k + 1:02d}" for k in range(slots)]
    rows = [_carrier(pick, k, places, names) for k in range(carriers)]
    pairs = _repeaters(rows)
    neighbours = _neighbours(pick, places, carriers)
    kinds = {row["kind"] for row in rows + neighbours}
    return {
        "format": "planning-problem/1",
        "zones": list(_zones(places)),
        "slots": names,
        "carriers": rows + neighbours,
        "separations": list(_separations(places)),
        "blocked": [
            {"id": f"channel {low // MHZ}", "low_hz": low, "high_hz": low + TELEVISION.step}
            for low in sorted(pick.sample(TELEVISION, round(taken * len(TELEVISION))))
        ],
        "pairs": pairs,
        "spans": list(_frames(rows)),
        "noise": list(_surveys(pick, places, [kind for kind in ("mic", "intercom") if kind in kinds])),
        "products": [
            {
                "family": "2A-B", "guard_hz": 100 * KHZ, "treatment": "forbid",
                "kinds": [kind for kind in KINDS if kind in kinds and KINDS[kind].mixes] or sorted(kinds),
            },
            {
                "family": "2A-B", "guard_hz": 100 * KHZ, "treatment": "forbid", "limit_db": -30,
                "made_in": "transmitters",
            },
            {"family": "A+B-C", "guard_hz": 50 * KHZ, "treatment": "penalise"},
            {"family": "3A-2B", "guard_hz": 50 * KHZ, "treatment": "penalise", "weight": 0.3},
        ],
    }  # fmt: skip


# -- where ------------------------------------------------------------------------------------------


def _places(pick: random.Random, stages: int) -> list[tuple[float, float]]:
    """Positions in metres: on a jittered grid, so that no two stages stand closer than 240 m."""
    side = math.ceil(math.sqrt(stages))
    grid = [(x, y) for y in range(side) for x in range(side)][:stages]
    return [(480 * x + pick.uniform(0, 240), 480 * y + pick.uniform(0, 240)) for x, y in grid]


def _name(stage: int, part: str) -> str:
    return f"stage{stage + 1:02d}-{part}"


def _distance_db(a: tuple[float, float], b: tuple[float, float]) -> float:
    """What another stage is weaker by: from 20 m on with the fourth power of the distance, less a wall of stage."""
    return -6.0 - 25.0 * math.log10(math.dist(a, b) / 20)


def _zones(places: Sequence[tuple[float, float]]) -> Iterator[dict[str, Any]]:
    for here, at in enumerate(places):
        for part in ("antennas", "floor", "rack"):
            hears = {}
            for there, other in enumerate(places):
                away = 0.0 if here == there else _distance_db(at, other)
                for source in ("floor", "rack"):
                    level = WITHIN_DB.get((part, source), -math.inf) + away
                    if level > FAINTEST_DB:
                        hears[_name(there, source)] = round(level, 1)
            yield {"id": _name(here, part), "hears": hears}


def _separations(places: Sequence[tuple[float, float]]) -> Iterator[dict[str, Any]]:
    """Kinds owe each other their distance wherever they stand at one stage, and half of it at stages next to each other."""
    for here, at in enumerate(places):
        for there in range(here, len(places)):
            if here != there and _distance_db(at, places[there]) < NEIGHBOURHOOD_DB:
                continue
            for (kind, other), khz in APART_KHZ.items():
                apart = khz * KHZ if here == there else -(-khz * KHZ // 2)
                first, second = KINDS[kind].sent, KINDS[other].sent
                row = {
                    "zones": [_name(here, first), _name(there, second)],
                    "kinds": [kind, other],
                    "min_hz": apart,
                }
                yield row
                if here != there and kind != other:
                    yield row | {"zones": [_name(there, first), _name(here, second)]}
        wish = {
            "zones": [_name(here, "floor"), _name(here, "rack")],
            "kinds": ["mic", "iem"],
            "min_hz": 4 * MHZ,
        }
        yield wish | {"treatment": "penalise", "weight": 0.1}


# -- what and when ----------------------------------------------------------------------------------


def _carrier(
    pick: random.Random, k: int, places: Sequence[tuple[float, float]], slots: list[str]
) -> dict[str, Any]:
    # The first stages are the large ones.
    stage = min(int(len(places) * pick.random() ** 1.4), len(places) - 1)
    kind = pick.choices(list(KINDS), [one.share for one in KINDS.values()])[0]
    made = KINDS[kind]
    low, high = pick.choice(made.ranges_hz)
    half = -(-made.bandwidth_hz // 2 // made.step_hz) * made.step_hz
    row = {
        "id": f"{kind}-{k + 1:05d}", "zone": _name(stage, made.sent), "received_in": [_name(stage, made.received)],
        "kind": kind, "bandwidth_hz": made.bandwidth_hz, "priority": pick.choices((1, 2, 3), (1, 3, 1))[0],
        "tuning": [{"low_hz": low * MHZ + half, "high_hz": high * MHZ - half, "step_hz": made.step_hz}],
    }  # fmt: skip
    if made.level_db:
        row["level_db"] = made.level_db
    if not made.mixes:
        row["mixes"] = False
    if stage and pick.random() < 0.03:  # walks to the main stage and back
        row["sent_from"] = [_name(stage, made.sent), _name(0, made.sent)]
    if len(slots) > 1 and pick.random() < 0.72:  # comes with an act
        first = pick.randrange(len(slots))
        row["slots"] = slots[first : first + pick.choice((1, 1, 2, 3))]
    return row


def _repeaters(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Every sixth radio is the output of a repeater whose input, 5 MHz below, is the radio after it."""
    radios = [row for row in rows if row["kind"] == "radio"]
    pairs = []
    for lower, upper in zip(radios[::6], radios[1::6], strict=False):
        lower["tuning"] = [lower["tuning"][0] | {"high_hz": 455 * MHZ - 12_500}]
        upper |= {name: lower[name] for name in ("zone", "received_in", "priority")}
        for name in ("slots", "sent_from"):
            upper.pop(name, None)
            if name in lower:
                upper[name] = lower[name]
        pairs.append({"carriers": [lower["id"], upper["id"]], "offset_hz": 5 * MHZ})
    return pairs


def _frames(rows: list[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    """Every eighth microphone shares a receiver frame, 30 MHz wide, with the next of its stage and tuning."""
    groups: dict[tuple[str, int], list[str]] = {}
    for row in rows:
        if row["kind"] == "mic":
            groups.setdefault((row["zone"], row["tuning"][0]["low_hz"]), []).append(row["id"])
    for group in groups.values():
        for first in range(0, len(group) - 1, 8):
            yield {"carriers": group[first : first + 2], "max_span_hz": 30 * MHZ}


def _neighbours(
    pick: random.Random, places: Sequence[tuple[float, float]], carriers: int
) -> list[dict[str, Any]]:
    """Somebody else's transmissions: there already, off our rasters, heard at one stage."""
    return [
        {
            "id": f"neighbour-{k + 1:03d}", "zone": _name(pick.randrange(len(places)), "floor"), "kind": "mic", "tuning": [],
            "received_in": [_name(0, "rack")], "bandwidth_hz": 200 * KHZ, "level_db": -20.0,
            "fixed_hz": pick.randrange(470_200, 693_800) * KHZ,
        }
        for k in range(carriers // 100)
    ]  # fmt: skip


def _surveys(
    pick: random.Random, places: Sequence[tuple[float, float]], kinds: list[str]
) -> Iterator[dict[str, Any]]:
    """A sweep at each stage's antennas: quiet, with a few humps."""
    step = 200 * KHZ
    for stage in range(len(places)) if kinds else ():
        humps = [(pick.uniform(470, 694), pick.uniform(1, 5), pick.uniform(4, 14)) for _ in range(6)]
        level = [
            -106.0 + sum(high * math.exp(-(((470 + k * 0.2 - at) / wide) ** 2)) for at, wide, high in humps)
            for k in range((TELEVISION.stop - TELEVISION.start) // step)
        ]
        yield {
            "zones": [_name(stage, "antennas")], "kinds": kinds, "low_hz": TELEVISION.start, "step_hz": step,
            "level_dbm": [round(x, 1) for x in level], "reference_dbm": -100.0, "weight": 0.05,
        }  # fmt: skip
