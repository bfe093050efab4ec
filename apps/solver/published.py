"""Cases with published answers, as planning problems.

The Philadelphia instances: 21 hexagonal cells, a demand in each, and how far apart cells must be to use channels so near.
Drawn by Anderson, IEEE Transactions on Vehicular Technology 22 (1973) 98-105; demands, reuse distances and optimal spans
as in the survey of Aardal, van Hoesel, Koster, Mannino and Sassano, 4OR 1 (2003) 261-317. Cells exactly at a reuse
distance are free of each other.
"""

import math
from collections.abc import Sequence
from typing import Any

CHANNEL_HZ = 25_000
LOWEST_HZ = 470_000_000
ROWS = [
    (5, 0.0),
    (7, -1.5),
    (6, -2.0),
    (3, 0.5),
]  # cells of a row, and where its first one is, in cell widths
HILL = [8, 25, 8, 8, 8, 15, 18, 52, 77, 28, 13, 15, 31, 15, 36, 57, 28, 8, 10, 13, 8]
FLAT = [5, 5, 5, 8, 12, 25, 30, 25, 30, 40, 40, 45, 20, 30, 25, 15, 15, 30, 20, 20, 25]
EVEN = [20] * 21
# Demand; squares of the reuse distances for channels 0, 1, 2, … apart, in cell widths; published optimal span.
PHILADELPHIA = {
    "P1": (HILL, (12, 3, 1, 1, 1, 0), 426),
    "P2": (HILL, (7, 3, 1, 1, 1, 0), 426),
    "P3": (FLAT, (12, 3, 1, 1, 1, 0), 257),
    "P4": (FLAT, (7, 3, 1, 1, 1, 0), 252),
    "P5": (EVEN, (12, 3, 1, 1, 1, 0), 239),
    "P6": (EVEN, (7, 3, 1, 1, 1, 0), 179),
    "P7": ([2 * n for n in HILL], (12, 3, 1, 1, 1, 0), 855),
    "P8": (HILL, (12, 4, 1, 1, 1, 0), 524),
    "P9": ([4 * n for n in HILL], (12, 3, 1, 1, 1, 0), 1713),
}
# Length of the shortest ruler of n marks with distinct differences (optimal Golomb rulers), OEIS A003022.
DISTINCT_DIFFERENCES = {4: 6, 5: 11, 6: 17, 7: 25, 8: 34, 9: 44, 10: 55, 11: 72, 12: 85}
CELLS = [(x + k, -row * math.sqrt(3) / 2) for row, (count, x) in enumerate(ROWS) for k in range(count)]


def channels_apart(squares: tuple[int, ...], a: int, b: int) -> int:
    """How many channels two cells must stay apart: the least at which the distance suffices."""
    square = (CELLS[a][0] - CELLS[b][0]) ** 2 + (CELLS[a][1] - CELLS[b][1]) ** 2
    return next(k for k, needed in enumerate(squares) if square >= needed - 1e-9)


def philadelphia(name: str, span: int | None = None) -> dict[str, Any]:
    """An instance as a planning problem, at its published span unless another is given."""
    demand, squares, optimum = PHILADELPHIA[name]
    high = LOWEST_HZ + CHANNEL_HZ * (optimum if span is None else span)
    zones = [f"cell{k + 1:02d}" for k in range(len(CELLS))]
    return {
        "format": "planning-problem/1",
        "zones": [{"id": zone} for zone in zones],
        "carriers": [
            {
                "id": f"{zone}-{n + 1:03d}", "zone": zone, "kind": "channel",
                "tuning": [{"low_hz": LOWEST_HZ, "high_hz": high, "step_hz": CHANNEL_HZ}],
            }
            for zone, count in zip(zones, demand, strict=True)
            for n in range(count)
        ],
        "separations": [
            {"zones": [zones[a], zones[b]], "kinds": ["channel", "channel"], "min_hz": CHANNEL_HZ * apart}
            for a in range(len(CELLS))
            for b in range(a, len(CELLS))
            if (apart := channels_apart(squares, a, b))
        ],
    }  # fmt: skip


def coupled(
    count: int,
    high_hz: int,
    *,
    low_hz: int = LOWEST_HZ,
    spacing_hz: int = CHANNEL_HZ,
    guards_hz: tuple[int, int] = (CHANNEL_HZ, CHANNEL_HZ),
    blocked: Sequence[tuple[int, int]] = (),
) -> dict[str, Any]:
    """Carriers of one place that all hear each other, free of 2A−B and A+B−C to within the guards."""
    tuning = [{"low_hz": low_hz, "high_hz": high_hz, "step_hz": CHANNEL_HZ}]
    return {
        "format": "planning-problem/1",
        "zones": [{"id": "here"}],
        "carriers": [
            {"id": f"c{k + 1:03d}", "zone": "here", "kind": "carrier", "tuning": tuning} for k in range(count)
        ],
        "separations": [{"zones": ["here", "here"], "kinds": ["carrier", "carrier"], "min_hz": spacing_hz}],
        "blocked": [{"low_hz": low, "high_hz": high} for low, high in blocked],
        "products": [
            {"family": family, "guard_hz": guard, "treatment": "forbid"}
            for family, guard in zip(("2A-B", "A+B-C"), guards_hz, strict=True)
        ],
    }
