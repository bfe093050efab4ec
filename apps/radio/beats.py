"""How much third-order intermodulation of many carriers lands near given frequencies, without listing it.

Belongs here: the counting alone, in linear power. n carriers make about n³/2 products A+B−C; on bins of the
frequency axis their weights are convolutions, less the terms in which letters coincide. What a weight means
in dBm is decided in `margins`.
"""

from collections.abc import Callable
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import fft

FLOOR_BIN_HZ: Final = 6_250
"""Carriers off this raster are counted at the nearest bin."""

GAP_HZ: Final = 50_000_000
"""Carriers parted by more than this are counted apart: products across bands land far from either."""

Levels = NDArray[np.float64]
Hertz = NDArray[np.int64]
Count = Callable[[NDArray[np.int64], Levels, int], Levels]


def common_bin_hz(hz: Hertz) -> int:
    """The widest bin on which all frequencies lie, but not under `FLOOR_BIN_HZ`."""
    steps = np.diff(np.unique(hz))
    return max(FLOOR_BIN_HZ, int(np.gcd.reduce(steps))) if steps.size else FLOOR_BIN_HZ


def third_order_loads(
    carriers_hz: Hertz,
    levels: Levels,
    victims_hz: Hertz,
    victim_levels: Levels,
    guards_hz: tuple[Hertz, Hertz],
    bin_hz: int,
) -> tuple[Levels, Levels]:
    """Summed weights of 2A−B and of A+B−C near each victim: Σ a²·b and Σ a·b·c over distinct carriers.

    `levels` are linear and not negative; a victim that is itself among the carriers has its own level in
    `victim_levels`, any other 0, for its own carrier is no letter of its products. A product counts strictly
    nearer than the victim's guard, `guards_hz` for the two families; a guard of 0 counts nothing. Weights of
    A+B−C take A and B in one order only. Exact when all frequencies lie on multiples of `bin_hz`.
    """
    two, three = np.zeros(victims_hz.size), np.zeros(victims_hz.size)
    if victims_hz.size == 0:
        return two, three
    order = np.argsort(carriers_hz, kind="stable")
    for band in np.split(order, np.nonzero(np.diff(carriers_hz[order]) > GAP_HZ)[0] + 1):
        if band.size < 2:
            continue
        low, high = carriers_hz[band[0]], carriers_hz[band[-1]]
        reach = high - low + max(guards_hz[0].max(), guards_hz[1].max())
        near = np.nonzero((victims_hz >= low - reach) & (victims_hz <= high + reach))[0]
        if near.size == 0:
            continue
        window = _Window(carriers_hz[band], levels[band], victims_hz[near], victim_levels[near], bin_hz)
        two[near] += window.two_carrier(guards_hz[0][near])
        three[near] += window.three_carrier(guards_hz[1][near])
    return two, three


class _Window:
    """One band's carriers and victims on bins. Maps are circular, long enough not to fold back."""

    def __init__(
        self, carriers_hz: Hertz, levels: Levels, victims_hz: Hertz, victim_levels: Levels, bin_hz: int
    ) -> None:
        origin = min(carriers_hz.min(), victims_hz.min())
        self.bin_hz = bin_hz
        self.carriers = np.rint((carriers_hz - origin) / bin_hz).astype(np.int64)
        self.victims = np.rint((victims_hz - origin) / bin_hz).astype(np.int64)
        self.levels = levels
        self.own = victim_levels
        span = int(max(self.carriers.max(), self.victims.max())) + 1
        self.length = fft.next_fast_len(2 * span + 128, real=True)

    def _scatter(self, positions: NDArray[np.int64], weights: Levels) -> Levels:
        return np.bincount(positions, weights, minlength=self.length).astype(np.float64)

    @cached_property
    def _first(self) -> Levels:
        return self._scatter(self.carriers, self.levels)

    @cached_property
    def _second(self) -> Levels:
        return self._scatter(self.carriers, self.levels**2)

    @cached_property
    def _third(self) -> Levels:
        return self._scatter(self.carriers, self.levels**3)

    @cached_property
    def _spectrum(self) -> NDArray[np.complex128]:
        return fft.rfft(self._first)

    @cached_property
    def _two_map(self) -> Levels:
        """Σ a²·c at 2A−C, coinciding letters included."""
        squares = fft.rfft(self._scatter(2 * self.carriers, self.levels**2))
        return fft.irfft(squares * self._spectrum.conj(), self.length)

    @cached_property
    def _three_map(self) -> Levels:
        """Σ a·b·c at A+B−C over ordered letters, coinciding ones included."""
        spectrum = self._spectrum
        return fft.irfft(spectrum * np.abs(spectrum) ** 2, self.length)

    @cached_property
    def _sums(self) -> Levels:
        """Σ a·b at A+B over ordered letters."""
        return fft.irfft(self._spectrum**2, self.length)

    @cached_property
    def _differences(self) -> Levels:
        """Σ a·c at A−C over ordered letters."""
        return fft.irfft(np.abs(self._spectrum) ** 2, self.length)

    def _read(self, map_: Levels, positions: NDArray[np.int64], radius: int) -> Levels:
        window = positions[..., None] + np.arange(-radius, radius + 1)
        return map_[window % self.length].sum(axis=-1)

    def two_carrier(self, guards_hz: Hertz) -> Levels:
        return self._by_guard(guards_hz, self._two)

    def three_carrier(self, guards_hz: Hertz) -> Levels:
        return self._by_guard(guards_hz, self._three)

    def _by_guard(self, guards_hz: Hertz, count: Count) -> Levels:
        loads = np.zeros(guards_hz.size)
        for guard in np.unique(guards_hz[guards_hz > 0]):
            which = np.nonzero(guards_hz == guard)[0]
            radius = int(-(-guard // self.bin_hz)) - 1
            loads[which] = np.maximum(0.0, count(self.victims[which], self.own[which], radius))
        return loads

    def _two(self, v: NDArray[np.int64], own: Levels, radius: int) -> Levels:
        """Distinct letters, neither the victim: all terms less A = v, less C = v, less A = C."""
        return self._two_without(v, own, radius) - (self._read(self._third, v, radius) - own**3)

    def _two_without(self, v: NDArray[np.int64], own: Levels, radius: int) -> Levels:
        """Terms of 2A−C without the victim as a letter, A = C included."""
        as_first = own**2 * self._read(self._first, v, radius)
        as_second = own * self._read(self._second, v, radius // 2)
        return self._read(self._two_map, v, radius) - as_first - as_second + own**3

    def _three(self, v: NDArray[np.int64], own: Levels, radius: int) -> Levels:
        """Distinct letters, none the victim, by inclusion and exclusion; half, for A and B swap."""
        near = self._read(self._first, v, radius)
        without = (
            self._read(self._three_map, v, radius)
            - 2.0 * own * self._read(self._differences, np.zeros(1, dtype=np.int64), radius)
            - own * self._read(self._sums, 2 * v, radius)
            + 3.0 * own**2 * near
            - own**3
        )
        squares = self._second.sum() - own**2
        cubes = self._read(self._third, v, radius) - own**3
        same = 2.0 * (near - own) * squares + self._two_without(v, own, radius) - 2.0 * cubes
        return (without - same) / 2.0
