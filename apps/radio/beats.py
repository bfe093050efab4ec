"""How much third-order intermodulation of many carriers lands near given frequencies, without listing it.

Belongs here: the counting alone, in linear power. n carriers make about n³/2 products A+B−C; on bins of the
frequency axis their weights are convolutions, less the terms in which letters coincide. Many sets of levels,
one for each stretch of time, are counted at once. What a weight means in dBm is decided in `margins`.
"""

from collections.abc import Callable
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import fft

FLOOR_BIN_HZ: Final = 6_250
"""Carriers off this raster are counted at the nearest bin."""

GAP_HZ: Final = 200_000_000
"""Carriers parted by more than this are counted apart: products across bands land far from either."""

Levels = NDArray[np.float64]
Hertz = NDArray[np.int64]
Rows = NDArray[np.int64]
Count = Callable[[Rows, int], Levels]


def common_bin_hz(hz: Hertz) -> int:
    """The widest bin on which all frequencies lie, but not under `FLOOR_BIN_HZ`."""
    return max(FLOOR_BIN_HZ, int(np.gcd.reduce(hz - hz[0])))


def third_order_loads(
    carriers_hz: Hertz,
    levels: Levels,
    victims_hz: Hertz,
    victim_levels: Levels,
    guards_hz: Hertz,
    sets: NDArray[np.int64],
) -> tuple[Levels, Levels]:
    """Summed weights of 2A−B and of A+B−C near each victim: Σ a²·b and Σ a·b·c over distinct carriers.

    `levels` (sets, carriers) are linear and not negative, 0 where a carrier is off; `sets` (victims,) says
    among which of them each victim stands. `victim_levels` (victims,) holds its own level there where it is
    itself among the carriers and 0 elsewhere, for its own carrier is no letter of its products. A product
    counts strictly nearer than the victim's guard, `guards_hz` (2, victims) for the two families; a guard of 0 counts
    nothing. Weights of A+B−C take A and B in one order only. Exact when all frequencies of a band lie on a
    common raster of `FLOOR_BIN_HZ` or more.
    """
    two, three = np.zeros((2, victims_hz.size))
    if victims_hz.size == 0:
        return two, three
    order = np.argsort(carriers_hz, kind="stable")
    for band in np.split(order, np.nonzero(np.diff(carriers_hz[order]) > GAP_HZ)[0] + 1):
        if band.size < 2:
            continue
        low, high = carriers_hz[band[0]], carriers_hz[band[-1]]
        reach = high - low + np.maximum(*guards_hz)
        near = np.nonzero((victims_hz >= low - reach) & (victims_hz <= high + reach))[0]
        if near.size == 0:
            continue
        own = victim_levels[near] * ((victims_hz[near] >= low) & (victims_hz[near] <= high))
        window = _Window(
            carriers_hz[band], levels[:, band], victims_hz[near], own, sets[near], int(guards_hz.max())
        )
        two[near] += window.two_carrier(guards_hz[0][near])
        three[near] += window.three_carrier(guards_hz[1][near])
    return two, three


class _Window:
    """One band's carriers, in rising order, and victims on bins. Maps are circular, long enough not to fold back."""

    def __init__(
        self,
        carriers_hz: Hertz,
        levels: Levels,
        victims_hz: Hertz,
        victim_levels: Levels,
        sets: NDArray[np.int64],
        guard_hz: int,
    ) -> None:
        self.bin_hz = common_bin_hz(np.concatenate((carriers_hz, victims_hz)))
        # The widest guard below the lowest, so that no reading begins before the first bin.
        origin = min(carriers_hz[0], victims_hz.min()) - self.bin_hz * (guard_hz // self.bin_hz + 1)
        carriers = np.rint((carriers_hz - origin) / self.bin_hz).astype(np.int64)
        self.victims = np.rint((victims_hz - origin) / self.bin_hz).astype(np.int64)
        self.carriers, self._starts = np.unique(carriers, return_index=True)
        self.levels, self.own, self.sets = levels, victim_levels, sets
        span = int(max(self.carriers[-1], self.victims.max())) + 1
        self.length = fft.next_fast_len(2 * (span + guard_hz // self.bin_hz + 1), real=True)

    def _on_bins(self, weights: Levels) -> Levels:
        """Weights of the carriers (sets, carriers) added up where they share a bin (sets, bins in use)."""
        if self.carriers.size == weights.shape[1]:
            return weights
        return np.add.reduceat(weights, self._starts, axis=1)

    def _map(self, weights: Levels, times: int = 1) -> Levels:
        """A map with weights (sets, bins in use) where the carriers stand, or at twice their place."""
        found = np.zeros((weights.shape[0], self.length))
        found[:, times * self.carriers] = weights
        return found

    @cached_property
    def _squares(self) -> Levels:
        return self._on_bins(self.levels**2)

    @cached_property
    def _cubes(self) -> Levels:
        return self._on_bins(self.levels**3)

    @cached_property
    def _first(self) -> Levels:
        return self._map(self._on_bins(self.levels))

    @cached_property
    def _second(self) -> Levels:
        return self._map(self._squares)

    @cached_property
    def _third(self) -> Levels:
        return self._map(self._cubes)

    @cached_property
    def _spectrum(self) -> NDArray[np.complex128]:
        return fft.rfft(self._first)

    @cached_property
    def _two_map(self) -> Levels:
        """Σ a²·c at 2A−C, A another carrier than C: listed where they are few, else by convolution."""
        if self.carriers.size**2 <= self.length:
            sets = self.levels.shape[0]
            where = (2 * self.carriers[:, None] - self.carriers).ravel() % self.length
            where = np.arange(sets)[:, None] * self.length + where
            weights = self._squares[:, :, None] * self._first[:, None, self.carriers]
            listed = np.bincount(where.ravel(), weights.ravel(), minlength=sets * self.length)
            found = listed.astype(np.float64).reshape(sets, self.length)
        else:
            squares = fft.rfft(self._map(self._squares, 2))
            found = fft.irfft(squares * self._spectrum.conj(), self.length)
        found[:, self.carriers] -= self._cubes
        return found

    @cached_property
    def _three_map(self) -> Levels:
        """Σ a·b·c at A+B−C over ordered letters, coinciding ones included."""
        spectrum = self._spectrum
        return fft.irfft(spectrum * (spectrum.real**2 + spectrum.imag**2), self.length)

    @cached_property
    def _sums(self) -> Levels:
        """Σ a·b at A+B over ordered letters."""
        return fft.irfft(self._spectrum**2, self.length)

    def _read(self, map_: Levels, which: Rows, radius: int, times: int = 1) -> Levels:
        """A map's sum within `radius` bins of some victims, or of twice their place."""
        where = self.sets[which] * self.length + times * self.victims[which]
        return map_.ravel().take(where + np.arange(-radius, radius + 1)[:, None]).sum(axis=0)

    def two_carrier(self, guards_hz: Hertz) -> Levels:
        return self._by_guard(guards_hz, self._two)

    def three_carrier(self, guards_hz: Hertz) -> Levels:
        return self._by_guard(guards_hz, self._three)

    def _by_guard(self, guards_hz: Hertz, count: Count) -> Levels:
        loads = np.zeros(guards_hz.size)
        for guard in sorted(set(guards_hz.tolist()) - {0}):
            which = np.nonzero(guards_hz == guard)[0]
            loads[which] = np.maximum(0.0, count(which, -(-guard // self.bin_hz) - 1))
        return loads

    def _two(self, which: Rows, radius: int) -> Levels:
        """Distinct letters, neither the victim: less the terms in which A or C is the victim."""
        found = self._read(self._two_map, which, radius)
        letters = np.nonzero(self.own[which])[0]
        which = which[letters]
        own = self.own[which]
        found[letters] -= own**2 * (self._read(self._first, which, radius) - own)
        found[letters] -= own * (self._read(self._second, which, radius // 2) - own**2)
        return found

    def _three(self, which: Rows, radius: int) -> Levels:
        """Distinct letters, none the victim, by inclusion and exclusion; half, for A and B swap."""
        own, sets = self.own[which], self.sets[which]
        near = self._read(self._first, which, radius)
        without = (
            self._read(self._three_map, which, radius)
            - 2.0 * own * self._alike(radius)[sets]
            - own * self._read(self._sums, which, radius, 2)
            + 3.0 * own**2 * near
            - own**3
        )
        squares = self._squares.sum(axis=1)[sets] - own**2
        cubes = self._read(self._third, which, radius) - own**3
        return (without - 2.0 * (near - own) * squares - self._two(which, radius) + cubes) / 2.0

    def _alike(self, radius: int) -> Levels:
        """Σ a·c over ordered letters, A within `radius` bins of C (sets,)."""
        window = self.carriers + np.arange(-radius, radius + 1)[:, None]
        at = self._first
        return (at[:, self.carriers] * at.take(window, axis=1).sum(axis=1)).sum(axis=1)
