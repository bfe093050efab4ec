"""The drawing of a survey: figures of a small picture that a template writes as SVG, without a script.

Its box is 960 by 300; colours, strokes and dashes are the stylesheet's. Whoever cannot see it has the words and the table.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from apps.radio.surveys import Trace, columns

WIDTH, HEIGHT = 960, 300
LEFT, RIGHT, TOP, BOTTOM = 62, 948, 26, 262
PARTS = 440


@dataclass(frozen=True)
class Line:
    """A line over the picture: its shape's name in the stylesheet, what it is, and an SVG path."""

    style: str
    name: str
    path: str


@dataclass(frozen=True)
class Drawing:
    """Everything that the template places. Positions are in units of the box, rounded to tenths."""

    low_hz: int
    high_hz: int
    lines: tuple[Line, ...]
    ranges: tuple[tuple[float, float, str], ...]
    ticks: tuple[tuple[float, str], ...]
    frequencies: tuple[tuple[float, str], ...]
    levels: tuple[tuple[float, str], ...]
    left: int = LEFT
    right: int = RIGHT
    top: int = TOP
    bottom: int = BOTTOM
    width: int = WIDTH
    height: int = HEIGHT


def drawn(
    traces: Sequence[tuple[str, str, Trace]],
    *,
    thresholds: Sequence[tuple[str, str, float]] = (),
    ranges: Iterable[tuple[int, int, str]] = (),
    carriers: Iterable[tuple[int, str]] = (),
    between: tuple[int | None, int | None] = (None, None),
) -> Drawing:
    """Draw traces (style, name, trace) over one range, with level lines (style, name, dBm), taken ranges and carriers.

    `between` narrows the range drawn, in hertz; what of it the traces do not reach is left out.
    """
    low = max(min(trace.low_hz for _, _, trace in traces), between[0] or 0)
    high = min(max(trace.high_hz for _, _, trace in traces), between[1] or 10**12)
    if high <= low:
        low, high = min(trace.low_hz for _, _, trace in traces), max(trace.high_hz for _, _, trace in traces)
    high = max(high, low + 1)
    parts = [(style, name, columns(trace, low, high, PARTS)) for style, name, trace in traces]
    said = [level for _, _, levels in parts for level in levels if level is not None]
    said += [level for _, _, level in thresholds]
    bottom_db, top_db = _round_levels(min(said, default=-120.0), max(said, default=-60.0))

    def x(hertz: float) -> float:
        return round(LEFT + (RIGHT - LEFT) * (hertz - low) / (high - low), 1)

    def y(level: float) -> float:
        return round(BOTTOM - (BOTTOM - TOP) * (level - bottom_db) / (top_db - bottom_db), 1)

    lines = [Line(style, name, f"M{LEFT} {y(level)}H{RIGHT}") for style, name, level in thresholds]
    lines += [Line(style, name, _path(levels, y)) for style, name, levels in parts]
    step_db = 10 if top_db - bottom_db <= 80 else 20
    return Drawing(
        low, high, tuple(lines),
        tuple(
            (x(max(low, a)), round(x(min(high, b)) - x(max(low, a)), 1), name)
            for a, b, name in ranges
            if a < high and b > low
        ),
        tuple((x(hertz), name) for hertz, name in carriers if low <= hertz <= high),
        tuple((x(hertz), f"{hertz / 1e6:.10g}") for hertz in _round_frequencies(low, high)),
        tuple((y(level), str(level)) for level in range(bottom_db, top_db + 1, step_db)),
    )  # fmt: skip


def _path(levels: list[float | None], y: Any) -> str:
    """Steps from part to part, lifted where nothing was measured."""
    width = (RIGHT - LEFT) / len(levels)
    path, pen_down = [], False
    for place, level in enumerate(levels):
        if level is None:
            pen_down = False
            continue
        path.append(f"{'L' if pen_down else 'M'}{LEFT + width * (place + 0.5):.1f} {y(level):.1f}")
        pen_down = True
    return "".join(path)


def _round_levels(low: float, high: float) -> tuple[int, int]:
    bottom, top = math.floor(low / 10) * 10, math.ceil((high + 1) / 10) * 10
    return bottom, max(top, bottom + 20)


def _round_frequencies(low: int, high: int) -> list[int]:
    """Some six round frequencies of a range."""
    rough = max(1.0, (high - low) / 6)
    power = 10 ** math.floor(math.log10(rough))
    step = max(1, int(next(power * factor for factor in (1, 2, 5, 10) if power * factor >= rough)))
    return list(range(-(-low // step) * step, high + 1, step))
