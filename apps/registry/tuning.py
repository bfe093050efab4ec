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


def without(ranges: Iterable[Range], low_hz: int, high_hz: int) -> list[Range]:
    """The points of the ranges that do not lie strictly between low and high."""
    ranges = list(ranges)
    return [*narrowed(ranges, None, low_hz), *narrowed(ranges, high_hz, None)] if low_hz < high_hz else ranges


def side_by_side(ranges: Iterable[Range], spacing_hz: int) -> int:
    """How many carriers at most find a point of the ranges with this spacing between neighbours: the lowest point first."""
    count, free_from = 0, None
    for part in sorted(ranges, key=lambda part: part["low_hz"]):
        left = narrowed([part], free_from, None)
        if not left:
            continue
        low, high, step = left[0]["low_hz"], left[0]["high_hz"], left[0]["step_hz"]
        apart = max(step, -(-spacing_hz // step) * step)
        count += (high - low) // apart + 1
        free_from = low + (high - low) // apart * apart + spacing_hz
    return count


def holds(ranges: Iterable[Range], hz: int) -> bool:
    """Whether a frequency is a point of the ranges."""
    return any(
        part["low_hz"] <= hz <= part["high_hz"] and (hz - part["low_hz"]) % part["step_hz"] == 0
        for part in ranges
    )


def nearest(ranges: Iterable[Range], hz: int) -> tuple[int | None, int | None]:
    """The highest point of the ranges below, and the lowest above."""
    ranges = list(ranges)
    below, above = narrowed(ranges, None, hz), narrowed(ranges, hz, None)
    return (
        max((part["high_hz"] for part in below), default=None),
        min((part["low_hz"] for part in above), default=None),
    )


def steps_in_words(ranges: Iterable[Range]) -> str:
    """The steps of the ranges as people read them: «25 kHz»; empty where they are single frequencies."""
    steps = sorted({part["step_hz"] for part in ranges if part["low_hz"] < part["high_hz"]})
    return " or ".join(f"{step / 1e3:.10g} kHz" for step in steps)


def middle(ranges: Iterable[Range]) -> int | None:
    """The point nearest to the middle between the lowest and the highest; None where there is none."""
    ranges = list(ranges)
    if not ranges:
        return None
    wanted = (min(part["low_hz"] for part in ranges) + max(part["high_hz"] for part in ranges)) // 2
    near = []
    for part in ranges:
        steps = (min(max(wanted, part["low_hz"]), part["high_hz"]) - part["low_hz"]) // part["step_hz"]
        below = part["low_hz"] + steps * part["step_hz"]
        near += [below, min(below + part["step_hz"], part["high_hz"])]
    return min(near, key=lambda hz: (abs(hz - wanted), hz))


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
