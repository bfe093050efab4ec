"""The frequency axis in bins: one lattice for every carrier that makes or suffers products, in windows that skip what nobody
uses, so that 450 MHz radios, 600 MHz microphones and 2 GHz links stand in one problem without storing the gaps between."""

import math
from bisect import bisect_right
from collections.abc import Collection, Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from apps.solver.problem import Band, Carrier, ProductRule

Ints = NDArray[np.int64]
Bands = tuple[int, int, int]  # lowest, highest, step; step 0 for a single frequency

MANY_WINDOWS = 8
SMALL_GAP = 256  # bins; nearer bands share a window, for a window costs a turn of a loop


class Domain:
    """Whole numbers of a few disjoint half-open intervals, numbered side by side without the gaps."""

    def __init__(self, intervals: Iterable[tuple[int, int]]) -> None:
        merged: list[list[int]] = []
        for low, high in sorted(intervals):
            if merged and low <= merged[-1][1]:
                merged[-1][1] = max(merged[-1][1], high)
            else:
                merged.append([low, high])
        self.low: Ints = np.array([low for low, _ in merged] or [0], np.int64)
        self.high: Ints = np.array([high for _, high in merged] or [0], np.int64)
        self.start: Ints = np.concatenate([[0], np.cumsum(self.high - self.low)])
        self.size = int(self.start[-1])
        self._shift = (self.start[:-1] - self.low).tolist()
        self._lows = self.low.tolist()

    def at(self, numbers: Ints) -> Ints:
        """The place of each number; −1 where it lies in none of the intervals."""
        if len(self.low) == 1:
            inside = (numbers >= self.low[0]) & (numbers < self.high[0])
            return np.where(inside, numbers - self.low[0], -1)
        k = (np.searchsorted(self.low, numbers, "right") - 1).clip(0)
        inside = (numbers >= self.low[k]) & (numbers < self.high[k])
        return np.where(inside, self.start[k] + numbers - self.low[k], -1)

    def place(self, number: int) -> int:
        """The place of a number that is known to lie in an interval: what follows it there is stored behind it."""
        if len(self._shift) == 1:
            return number + self._shift[0]
        return number + self._shift[bisect_right(self._lows, number) - 1]


class Axis:
    """Bins of equal width from `base_hz` up. `exact`: every frequency of the bands is a whole number of bins away.

    `bands`: (lowest, highest, step) of all that carriers can be set to, `read` of those for which places are sought.
    `windows` hold the former, `reading` the latter.
    """

    def __init__(
        self,
        bands: Collection[Bands],
        read: Collection[Bands],
        rules: Iterable[ProductRule],
        *,
        coarser: int = 1,
    ) -> None:
        bands = set(bands)
        self.base_hz = min((low for low, _, _ in bands), default=0)
        lattice = 0
        for low, _, step in bands:
            lattice = math.gcd(lattice, low - self.base_hz, step)
        finest = max(1, min((rule.guard_hz for rule in rules), default=8) // 8)
        self.bin_hz = max(lattice, finest, 1) * coarser
        self.exact = all(
            (low - self.base_hz) % self.bin_hz == 0 and step % self.bin_hz == 0 for low, _, step in bands
        )
        self.windows = self._windows(bands)
        self.reading = self._windows(read)

    def _windows(self, bands: Iterable[Bands]) -> list[tuple[int, int]]:
        """Half-open intervals of bins that cover the bands, parted where the gap is wider than what it parts."""
        found: list[tuple[int, int]] = []
        for low, high in sorted({(self.bin(low), self.bin(high) + 1) for low, high, _ in bands}):
            if found:
                before, top = found[-1]
                if low - top <= max(SMALL_GAP, top - before, high - low):
                    found[-1] = (before, max(top, high))
                    continue
            found.append((low, high))
        while len(found) > MANY_WINDOWS:
            k = min(range(len(found) - 1), key=lambda k: found[k + 1][0] - found[k][1])
            found[k : k + 2] = [(found[k][0], found[k + 1][1])]
        return found

    def bin(self, hz: int) -> int:
        return (hz - self.base_hz + (0 if self.bin_hz == 1 else self.bin_hz // 2)) // self.bin_hz

    def bins(self, hz: Ints) -> Ints:
        """The nearest bin of each frequency."""
        return (hz - self.base_hz + (0 if self.bin_hz == 1 else self.bin_hz // 2)) // self.bin_hz

    def box(self, rule: ProductRule, coefficients: Sequence[int]) -> int:
        """How many bins either side a product still counts: one exactly at the guard does not. Wider where bins round."""
        slack = 0 if self.exact else (sum(map(abs, coefficients)) + 2) // 2
        return -(-rule.guard_hz // self.bin_hz) - 1 + slack


def within(bands: Iterable[Bands], passband: Sequence[Band]) -> list[Bands]:
    """What of the bands a passband lets in; all where there is none."""
    if not passband:
        return list(bands)
    found = []
    for low, high, step in bands:
        for let_in in passband:
            first = low + -(-max(0, let_in.low_hz - low) // step) * step if step else low
            last = low + (min(high, let_in.high_hz) - low) // step * step if step else low
            if let_in.low_hz <= first <= last <= let_in.high_hz:
                found.append((first, last, step))
    return found


def bands_hz(carrier: Carrier) -> list[Bands]:
    """Everything that a carrier can be set to."""
    if carrier.fixed_hz is not None:
        return [(carrier.fixed_hz, carrier.fixed_hz, 0)]
    return [
        (part.low_hz, part.low_hz + (part.points - 1) * part.step_hz, part.step_hz if part.points > 1 else 0)
        for part in carrier.tuning
    ]
