"""Surveys of the spectrum: reading two columns of text, an even trace, floor, hold, median, and what a receiver makes of it.

Belongs here: the arithmetic of a recorded sweep. Frequencies are hertz, levels dBm in the survey's resolution bandwidth.
A survey sees only what was on the air at that moment, with the antenna that was on it.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from apps.radio.units import decibels

UNITS: Final = {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9}
SEPARATORS: Final = {"\t": "tab", ";": "semicolon", ",": "comma"}
MOST_POINTS: Final = 4_000_000
MOST_FAULTS: Final = 100
MOST_HEADER_LINES: Final = 200
MOST_CELLS: Final = 200_000
HIGHEST_HZ: Final = 300_000_000_000
LEVELS_DBM: Final = (-250.0, 60.0)

OVER_FLOOR_DB: Final = 6.0
"""What stands less than this over the instrument's own floor may be the instrument itself; common practice, no source."""

STANDS_OUT_DB: Final = 10.0
"""What stands this far over the median of its surroundings is a carrier, not noise; common practice, no source."""

FLOOR_PERCENT: Final = 20.0
"""The quietest fifth is taken to be the instrument's own floor (the 20 % method of ITU-R SM.1753, from memory)."""

SMOOTHING_CELLS: Final = 21
SKIRT_WIDTHS: Final = 2.5
"""How far either side a carrier shows in a survey, in resolution bandwidths; common practice, no source."""

Floats = NDArray[np.float64]
Levels = NDArray[np.float32]
Marks = NDArray[np.bool_]


# -- reading --------------------------------------------------------------------------------


class LineFault(NamedTuple):
    """One thing wrong with one line of a survey. Lines count from 1; 0 means the whole text."""

    row: int
    field: str
    value: str
    message: str


class Unreadable(Exception):
    """The text is no survey. `faults` are the first hundred; `count` says how many there are."""

    def __init__(self, faults: list[LineFault], count: int) -> None:
        super().__init__(f"{count} fault{'s' if count != 1 else ''}")
        self.faults = faults
        self.count = count


@dataclass(frozen=True)
class Points:
    """What a text says: hz (int64) and level_dbm (float32), as many of each; how it was understood, in words."""

    hz: NDArray[np.int64]
    level_dbm: Levels
    unit: str
    unit_from: str
    separator: str
    header: str


class Reader:
    """Reads a survey piece by piece, each line a frequency and a level; its memory is that of the points.

    Separator: tab, semicolon or comma, whichever the first line with two numbers holds. With tab or semicolon a decimal
    comma is understood. Lines before the first two numbers are a header. Unit: as told, else as the column titles name
    it, else by size: 10 million and more is Hz, 10,000 and more kHz, the rest MHz. `points` counts what was read so far.
    """

    def __init__(self, unit: str = "") -> None:
        self._unit = unit
        self._separator = ""
        self._header: list[str] = []
        self._rest = ""
        self._lines = 0
        self.points = 0
        self._faults: list[LineFault] = []
        self._fault_count = 0
        self._hz: list[Floats] = []
        self._level: list[Levels] = []

    def feed(self, text: str) -> None:
        """Take the next piece of the text; it may end in the middle of a line."""
        lines = (self._rest + text).splitlines(keepends=True)
        # «\r» alone at the end may be half of «\r\n».
        self._rest = lines.pop() if lines and not lines[-1].endswith("\n") else ""
        self._take(lines)

    def finish(self) -> Points:
        """What was read. Raises Unreadable with every fault, at most a hundred of them spelt out."""
        self._take([self._rest] if self._rest else [])
        self._rest = ""
        if not self.points and not self._fault_count:
            self._fault(
                0, "file", "", "There is no line with a frequency and a level. Send two columns of numbers."
            )
        unit, unit_from = self._unit_of_all() if self.points else ("", "")
        hz = np.empty(0, np.int64)
        if self.points:
            exact = np.concatenate(self._hz)
            self._hz.clear()
            exact *= UNITS[unit]
            hz = np.rint(exact, out=exact).astype(np.int64)
            if not 0 < hz.min() <= hz.max() <= HIGHEST_HZ:
                worst = hz.max() if hz.max() > HIGHEST_HZ else hz.min()
                self._fault(
                    0, "frequency", f"{worst / 1e6:g} MHz",
                    f"Taken as {unit} ({unit_from}) this is outside 1 Hz to 300 GHz. Say which unit the file is in.",
                )  # fmt: skip
        if self._fault_count:
            raise Unreadable(self._faults, self._fault_count)
        return Points(
            hz, np.concatenate(self._level), unit, unit_from, SEPARATORS[self._separator],
            "\n".join(self._header)[:2000],
        )  # fmt: skip

    def _take(self, lines: list[str]) -> None:
        first = self._lines + 1
        self._lines += len(lines)
        if not self._separator:
            skipped = self._find_beginning(lines, first)
            if not self._separator:
                return
            lines, first = lines[skipped:], first + skipped
        if self.points + len(lines) > MOST_POINTS:
            if not any(fault.field == "points" for fault in self._faults):
                text = (
                    f"At most {MOST_POINTS:,} points are taken; thin the survey out or split it into ranges."
                )
                self._fault(0, "points", f"more than {MOST_POINTS:,}", text)
            return
        hz, level = self._fast(lines) or self._slow(lines, first)
        self.points += len(hz)
        self._hz.append(hz)
        self._level.append(level)

    def _find_beginning(self, lines: list[str], first: int) -> int:
        """Pass over header lines; the first line with two numbers tells the separator. Returns how many were passed."""
        for place, line in enumerate(lines):
            if "\0" in line:
                if not self._fault_count:
                    self._fault(
                        first + place,
                        "file",
                        "",
                        "This is no text. Export the survey as two columns of text.",
                    )
                return place
            for mark in SEPARATORS:
                cells = _cells(line, mark)
                if (
                    len(cells) >= 2
                    and _number(cells[0], mark) is not None
                    and _number(cells[1], mark) is not None
                ):
                    self._separator = mark
                    self._judge_header()
                    return place
            if line.strip():
                self._header.append(line.strip()[:200])
            if len(self._header) == MOST_HEADER_LINES and not self._fault_count:
                self._fault(
                    first + place, "", line.strip()[:60],
                    f"The first {MOST_HEADER_LINES} lines hold no frequency and level, divided by tab, semicolon or comma.",
                )  # fmt: skip
        return len(lines)

    def _judge_header(self) -> None:
        titles = self._header[-1] if self._header else ""
        if re.search(r"db\s*[uµμ]", titles, re.IGNORECASE):
            self._fault(
                len(self._header), "level", titles[:60],
                "Levels must be in dBm; at 50 ohm that is dBµV less 107. Set the instrument to dBm, or convert.",
            )  # fmt: skip

    def _fast(self, lines: list[str]) -> tuple[Floats, Levels] | None:
        """The whole piece at once, in the machine's own words; None when a line is not what it should be."""
        comma = self._separator == ","
        kept = [line if comma else line.replace(",", ".") for line in lines if line.strip()]
        if not kept:
            return np.empty(0), np.empty(0, np.float32)
        try:
            table = np.loadtxt(kept, delimiter=self._separator, comments=None, ndmin=2)
        except ValueError:
            return None
        if table.shape[1] != 2 or not np.isfinite(table).all():
            return None
        hz, level = table[:, 0], table[:, 1].astype(np.float32)
        good = (hz > 0).all() and (level >= LEVELS_DBM[0]).all() and (level <= LEVELS_DBM[1]).all()
        return (hz, level) if good else None

    def _slow(self, lines: list[str], first: int) -> tuple[Floats, Levels]:
        """Line by line, naming every fault."""
        hz, level = [], []
        for number, line in enumerate(lines, first):
            if not line.strip():
                continue
            before = self._fault_count
            cells = _cells(line, self._separator)
            if len(cells) != 2:
                self._fault(
                    number, "", line.strip()[:60],
                    f"{len(cells)} value{'s' if len(cells) != 1 else ''}; give a frequency and a level, divided by a "
                    f"{SEPARATORS[self._separator]} as in the lines before.",
                )  # fmt: skip
                continue
            at, loud = _number(cells[0], self._separator), _number(cells[1], self._separator)
            if at is None or at <= 0:
                self._fault(number, "frequency", cells[0][:60], "This is no frequency; use a number above 0.")
            if loud is None or not LEVELS_DBM[0] <= loud <= LEVELS_DBM[1]:
                lowest, highest = LEVELS_DBM
                self._fault(
                    number, "level", cells[1][:60],
                    f"This is no level in dBm; use a number from {lowest:g} to {highest:g}.",
                )  # fmt: skip
            if self._fault_count == before and at is not None and loud is not None:
                hz.append(at)
                level.append(loud)
        return np.array(hz, float), np.array(level, np.float32)

    def _unit_of_all(self) -> tuple[str, str]:
        if self._unit:
            return self._unit, "as told"
        titles = re.split(re.escape(self._separator), self._header[-1])[0] if self._header else ""
        named = re.search(r"(?<![a-z])([gmk]?)hz(?![a-z])", titles, re.IGNORECASE)
        if named:
            return {"g": "GHz", "m": "MHz", "k": "kHz", "": "Hz"}[named[1].lower()], "named by its title"
        highest = max(float(part.max()) for part in self._hz if len(part))
        size = "Hz" if highest >= 1e7 else "kHz" if highest >= 1e4 else "MHz"
        return size, "recognised by the size of the numbers"

    def _fault(self, row: int, field: str, value: str, message: str) -> None:
        self._fault_count += 1
        if len(self._faults) < MOST_FAULTS:
            self._faults.append(LineFault(row, field, value, message))


def _cells(line: str, separator: str) -> list[str]:
    cells = [cell.strip().strip('"') for cell in line.strip(" \r\n").split(separator)]
    while len(cells) > 2 and not cells[-1]:
        cells.pop()  # a separator at the end of each line is common
    return cells


def _number(text: str, separator: str) -> float | None:
    try:
        value = float(text if separator == "," else text.replace(",", "."))
    except ValueError:
        return None
    return value if np.isfinite(value) else None


# -- traces ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Trace:
    """Levels on even steps: cell i is centred at low_hz + i·step_hz and holds the highest level seen in it.

    level_dbm: float32, NaN where nothing was measured.
    """

    low_hz: int
    step_hz: int
    level_dbm: Levels

    @property
    def high_hz(self) -> int:
        return self.low_hz + self.step_hz * (len(self.level_dbm) - 1)

    @property
    def hz(self) -> NDArray[np.int64]:
        """The centres of the cells."""
        return self.low_hz + self.step_hz * np.arange(len(self.level_dbm), dtype=np.int64)

    def between(self, low_hz: float, high_hz: float) -> Levels:
        """The levels of cells whose centres lie in the range, ends included; the nearest cell where none does."""
        first = int(np.ceil((low_hz - self.low_hz) / self.step_hz))
        last = int(np.floor((high_hz - self.low_hz) / self.step_hz))
        if last < first:
            first = last = round(((low_hz + high_hz) / 2 - self.low_hz) / self.step_hz)
        return self.level_dbm[max(0, first) : max(0, last + 1)]


def trace(points: Points, most_cells: int = MOST_CELLS) -> Trace:
    """The points on even steps as wide as they usually lie apart, or wider where that makes too many cells."""
    hz, level = points.hz, points.level_dbm
    if (hz[1:] < hz[:-1]).any():
        order = np.argsort(hz, kind="stable")
        hz, level = hz[order], level[order]
    apart = np.diff(hz)
    apart = apart[apart > 0]
    usual = int(np.ceil(np.median(apart))) if len(apart) else 1
    return _on_steps(hz, level, int(hz[0]), int(hz[-1]), usual, most_cells)


def _on_steps(
    hz: NDArray[np.int64],
    level: Levels,
    low_hz: int,
    high_hz: int,
    step_hz: int,
    most_cells: int = MOST_CELLS,
) -> Trace:
    """Levels at rising frequencies, the highest of each cell."""
    step_hz = max(1, step_hz, -(-(high_hz - low_hz) // (most_cells - 1)))
    cells = np.full((high_hz - low_hz + step_hz // 2) // step_hz + 1, np.nan, np.float32)
    places = hz - (low_hz - step_hz // 2)
    places //= step_hz
    starts = np.flatnonzero(np.diff(places, prepend=-1))
    cells[places[starts]] = np.fmax.reduceat(level, starts)
    return Trace(low_hz, step_hz, cells)


def floor_dbm(found: Trace) -> float:
    """The instrument's own floor: the running median of neighbouring cells stays below it in a fifth of the survey."""
    return float(np.nanpercentile(_running_median(found.level_dbm, SMOOTHING_CELLS), FLOOR_PERCENT))


def _running_median(level: Levels, width: int) -> Levels:
    """Median of `width` cells about each; wide windows go by the medians of sixteenths, which is near enough."""
    block = max(1, width // 16)
    padded = np.pad(level, (0, -len(level) % block), constant_values=np.nan).reshape(-1, block)
    medians = padded[:, 0] if block == 1 else _nanmedian(padded)
    half = max(1, round(width / block)) // 2
    windows = np.lib.stride_tricks.sliding_window_view(
        np.pad(medians, half, constant_values=np.nan), 2 * half + 1
    )
    parts = [_nanmedian(windows[i : i + 20_000]) for i in range(0, len(windows), 20_000)]
    return np.repeat(np.concatenate(parts), block)[: len(level)]


def _nanmedian(rows: Levels) -> Levels:
    """Median of each row over what is not NaN; NaN for an empty row. Sorting puts NaN last."""
    ordered = np.sort(rows, axis=1)
    count = np.maximum(1, (~np.isnan(ordered)).sum(axis=1))
    row = np.arange(len(ordered))
    middle: Levels = ((ordered[row, (count - 1) // 2] + ordered[row, count // 2]) / 2).astype(np.float32)
    return middle


def scaled(found: Trace, from_hz: float, to_hz: float) -> Trace:
    """The trace as noise in another bandwidth: 10·log10 of their ratio on top (white noise, ITU-R P.372: kTB)."""
    shift = np.float32(decibels(to_hz / from_hz))
    return Trace(found.low_hz, found.step_hz, found.level_dbm + shift)


def together(traces: Sequence[Trace]) -> tuple[Trace, Trace]:
    """Highest-hold and median over surveys, on the coarsest of their steps. Cells that nobody measured are NaN."""
    low, high = min(one.low_hz for one in traces), max(one.high_hz for one in traces)
    step = max(one.step_hz for one in traces)
    laid = [_on_steps(one.hz, one.level_dbm, low, high, step) for one in traces]
    levels = np.stack([one.level_dbm for one in laid])
    highest = Trace(low, laid[0].step_hz, np.fmax.reduce(levels, axis=0))
    return highest, Trace(low, laid[0].step_hz, _nanmedian(levels.T))


def without(found: Trace, carriers: Iterable[tuple[int, int]], resolution_hz: float) -> Trace:
    """The trace without carriers ((centre, bandwidth) in hertz), each with its skirt in the resolution bandwidth."""
    level = found.level_dbm.copy()
    level[_under(found, carriers, resolution_hz)] = np.nan
    return Trace(found.low_hz, found.step_hz, level)


def under(found: Trace, carriers: Iterable[tuple[int, int]], resolution_hz: float) -> Trace:
    """The trace as it would be under carriers: what they hide is taken to be as the noise on both sides of them."""
    hidden = _under(found, carriers, resolution_hz)
    rest = np.where(hidden, np.float32(np.nan), found.level_dbm)
    noise = _running_median(rest, SMOOTHING_CELLS)
    known = np.flatnonzero(~np.isnan(rest) & ~np.isnan(noise))
    if not len(known):
        return Trace(found.low_hz, found.step_hz, rest)
    places = np.flatnonzero(hidden & ~np.isnan(found.level_dbm))
    rest[places] = np.interp(places, known, noise[known])
    return Trace(found.low_hz, found.step_hz, rest)


def _under(found: Trace, carriers: Iterable[tuple[int, int]], resolution_hz: float) -> Marks:
    hidden = np.zeros(len(found.level_dbm), bool)
    for centre_hz, bandwidth_hz in carriers:
        reach = bandwidth_hz / 2 + SKIRT_WIDTHS * resolution_hz
        first = int(np.ceil((centre_hz - reach - found.low_hz) / found.step_hz))
        last = int(np.floor((centre_hz + reach - found.low_hz) / found.step_hz))
        hidden[max(0, first) : max(0, last + 1)] = True
    return hidden


def columns(found: Trace, low_hz: int, high_hz: int, count: int) -> list[float | None]:
    """The highest level in each of `count` even parts of a range; None where nothing was measured."""
    edges = np.linspace(low_hz, high_hz, count + 1)
    edges[:-1] -= 0.5  # a cell on an edge belongs to one part only
    highest = [np.fmax.reduce(found.between(a, b), initial=np.nan) for a, b in pairwise(edges)]
    return [None if np.isnan(level) else float(level) for level in highest]


# -- what it says ---------------------------------------------------------------------------


class Stretch(NamedTuple):
    """A stretch of the spectrum over a threshold: its edges, and where and how high its highest point is."""

    low_hz: int
    high_hz: int
    peak_hz: int
    peak_dbm: float


def stretches(found: Trace, threshold_dbm: float, join_hz: int = 0) -> list[Stretch]:
    """Where the trace reaches the threshold, in order; those nearer to each other than `join_hz` are one."""
    with np.errstate(invalid="ignore"):
        over = np.flatnonzero(found.level_dbm >= threshold_dbm)
    if not len(over):
        return []
    breaks = np.flatnonzero(np.diff(over) > max(1, join_hz // found.step_hz))
    result = []
    for cells in np.split(over, breaks + 1):
        peak = cells[np.argmax(found.level_dbm[cells])]
        half = found.step_hz // 2
        result.append(
            Stretch(
                int(found.low_hz + cells[0] * found.step_hz - half),
                int(found.low_hz + cells[-1] * found.step_hz + half),
                int(found.low_hz + peak * found.step_hz),
                float(found.level_dbm[peak]),
            )
        )
    return result


def standing_out(found: Trace, floor: float) -> Trace:
    """The trace where it is more than the instrument and the grass of its noise; NaN elsewhere."""
    broad, narrow = _counting(found.level_dbm, _running_median(found.level_dbm, SMOOTHING_CELLS), floor)
    return Trace(found.low_hz, found.step_hz, np.where(broad | narrow, found.level_dbm, np.float32(np.nan)))


def at_receiver(found: Trace, floor: float, resolution_hz: float, bandwidth_hz: int) -> Trace:
    """What a receiver of a bandwidth gets: noise scaled to it, carriers as they are; NaN where nothing counts.

    Noise is the median over the bandwidth (five cells at least), carriers what stands 10 dB out of it; either counts
    only where it stands 6 dB over the instrument's own floor. Returned on steps of an eighth of the bandwidth, or the
    survey's own where those are wider.
    """
    noise = _running_median(found.level_dbm, max(5, round(bandwidth_hz / found.step_hz)) | 1)
    broad, narrow = _counting(found.level_dbm, noise, floor)
    as_noise = np.where(broad, noise + decibels(bandwidth_hz / resolution_hz), np.nan)
    level = np.fmax(as_noise, np.where(narrow, found.level_dbm, np.nan)).astype(np.float32)
    step = max(found.step_hz, bandwidth_hz // 8)
    return _on_steps(found.hz, level, found.low_hz, found.high_hz, step)


def _counting(level: Levels, noise: Levels, floor: float) -> tuple[Marks, Marks]:
    """Where noise (a running median) counts, and where a carrier does. Between two strong carriers neither does."""
    with np.errstate(invalid="ignore"):
        over = level >= floor + OVER_FLOOR_DB
        return over & (noise >= floor + OVER_FLOOR_DB), over & (level >= noise + STANDS_OUT_DB)
