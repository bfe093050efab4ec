"""What a registration's carriers can tune: the kind's rasters, narrowed by the line and by the ruleset."""

from collections.abc import Iterable
from typing import TypedDict


class Range(TypedDict):
    """Frequencies low + k·step up to high, in hertz; one frequency when low equals high."""

    low_hz: int
    high_hz: int
    step_hz: int


def narrowed(ranges: Iterable[Range], low_hz: int | None, high_hz: int | None) -> list[Range]:
    """The points of the ranges between low and high, ends included; None does not limit."""
    left: list[Range] = []
    for part in ranges:
        step, low, high = part["step_hz"], part["low_hz"], part["high_hz"]
        if low_hz is not None and low_hz > low:
            low += -(-(low_hz - low) // step) * step
        if high_hz is not None and high_hz < high:
            high = high_hz
        if low <= high:
            left.append(Range(low_hz=low, high_hz=low + (high - low) // step * step, step_hz=step))
    return left


def holds(ranges: Iterable[Range], hz: int) -> bool:
    """Whether a frequency is a point of the ranges."""
    return any(
        part["low_hz"] <= hz <= part["high_hz"] and (hz - part["low_hz"]) % part["step_hz"] == 0
        for part in ranges
    )


def points(ranges: Iterable[Range]) -> int:
    """How many points the ranges have; a point of two ranges counts twice."""
    return sum((part["high_hz"] - part["low_hz"]) // part["step_hz"] + 1 for part in ranges)


def in_megahertz(ranges: Iterable[Range]) -> str:
    """The ranges as people read them: «470.1–516 MHz, 520 MHz»."""
    parts = [
        f"{p['low_hz'] / 1e6:.10g}"
        if p["low_hz"] == p["high_hz"]
        else f"{p['low_hz'] / 1e6:.10g}–{p['high_hz'] / 1e6:.10g}"
        for p in ranges
    ]
    return f"{', '.join(parts)} MHz" if parts else "nothing"
