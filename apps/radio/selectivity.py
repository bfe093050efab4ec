"""How much of an emission a receiver lets in, and how far apart in frequency two devices must therefore be.

Belongs here: emission masks, receiver filters, frequency-dependent rejection (ITU-R SM.337), protection
ratios, blocking and overload, and the smallest separation that brings an interferer under a threshold.
Spectra are symmetrical about their carrier and straight in dB between points, so every integral is exact.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from apps.radio.units import Decibels, decibels

Modulation = Literal["analogue mono", "analogue stereo", "digital", "dense digital", "two-way", "wideband"]

FAR_HZ: Final = 1e9
"""How far a noise floor and a filter's stop band are carried on."""

_DB_TO_NEPER: Final = math.log(10.0) / 10.0


@dataclass(frozen=True)
class Spectrum:
    """Power density or filter response over frequency, in dB, straight between points.

    `edges_hz` (n + 1, rising) part n pieces; piece k runs from `start_db[k]` to `end_db[k]`. Outside there is
    nothing.
    """

    edges_hz: tuple[float, ...]
    start_db: tuple[float, ...]
    end_db: tuple[float, ...]

    def power(self) -> float:
        """Integral over frequency, in hertz times the power ratio of 0 dB."""
        return float(overlap(self, Spectrum((self.edges_hz[0], self.edges_hz[-1]), (0.0,), (0.0,)), 0.0))


def rectangle(width_hz: float) -> Spectrum:
    """Flat over `width_hz` about the carrier, nothing outside."""
    return Spectrum((-width_hz / 2.0, width_hz / 2.0), (0.0,), (0.0,))


def symmetrical(points: Sequence[tuple[float, float]]) -> Spectrum:
    """A spectrum from (offset in Hz, dB) points of its upper half, the first at 0 Hz.

    Two points at one offset make a step; the last value is carried on to `FAR_HZ`. ValueError unless offsets
    start at 0 and do not fall.
    """
    offsets = [offset for offset, _ in points]
    if not points or offsets[0] != 0 or offsets != sorted(offsets):
        raise ValueError(f"offsets must start at 0 and not fall, not {offsets}")
    half = [*points, (max(FAR_HZ, offsets[-1] * 2), points[-1][1])]
    pieces = [(a, b) for a, b in itertools.pairwise(half) if b[0] > a[0]]
    mirrored = [((-b[0], b[1]), (-a[0], a[1])) for a, b in reversed(pieces)]
    both = mirrored + pieces
    return Spectrum(
        (*(a[0] for a, _ in both), both[-1][1][0]),
        tuple(a[1] for a, _ in both),
        tuple(b[1] for _, b in both),
    )


def overlap(emission: Spectrum, response: Spectrum, offsets_hz: ArrayLike) -> NDArray[np.float64]:
    """Integral of emission times response, the response's centre `offset` above the emission's. Exact.

    Shape of `offsets_hz`. Between two neighbouring points both run straight in dB, so their product is an
    exponential, whose integral is known.
    """
    offsets = np.atleast_1d(np.asarray(offsets_hz, dtype=np.float64))
    own = np.broadcast_to(np.asarray(emission.edges_hz), (offsets.size, len(emission.edges_hz)))
    shifted = np.asarray(response.edges_hz) + offsets.reshape(-1, 1)
    edges = np.sort(np.concatenate((own, shifted), axis=1), axis=1)
    low, high = edges[:, :-1], edges[:, 1:]
    column = offsets.reshape(-1, 1)
    e_low, e_high = _levels(emission, low, high)
    r_low, r_high = _levels(response, low - column, high - column)
    with np.errstate(invalid="ignore"):
        rise = (e_high + r_high - e_low - r_low) * _DB_TO_NEPER
    rise = np.where(np.isfinite(rise), rise, 0.0)
    mean_over_start = np.where(
        np.abs(rise) < 1e-9, 1.0, np.expm1(rise) / np.where(np.abs(rise) < 1e-9, 1.0, rise)
    )
    parts = (high - low) * 10.0 ** ((e_low + r_low) / 10.0) * mean_over_start
    return parts.sum(axis=1).reshape(np.shape(offsets_hz))


def _levels(spectrum: Spectrum, low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Levels just inside both ends of pieces that no edge of the spectrum parts; −inf outside of it."""
    edges = np.asarray(spectrum.edges_hz)
    start = np.asarray(spectrum.start_db)
    slope = (np.asarray(spectrum.end_db) - start) / np.diff(edges)
    middle = (low + high) / 2.0
    inside = (middle > edges[0]) & (middle < edges[-1])
    piece = np.clip(np.searchsorted(edges, middle, side="right") - 1, 0, start.size - 1)
    at_low = start[piece] + slope[piece] * (low - edges[piece])
    at_high = start[piece] + slope[piece] * (high - edges[piece])
    return np.where(inside, at_low, -np.inf), np.where(inside, at_high, -np.inf)


def frequency_dependent_rejection_db(
    emission: Spectrum, response: Spectrum, offsets_hz: ArrayLike
) -> Decibels:
    """FDR in dB: emitted power over the power that the filter lets in at this offset (ITU-R SM.337 eq. 2).

    Infinite where the two do not touch.
    """
    return decibels(emission.power()) - decibels(overlap(emission, response, offsets_hz))


def on_tune_rejection_db(emission: Spectrum, response: Spectrum) -> float:
    """OTR in dB: what the filter keeps out even on its own frequency (ITU-R SM.337 eq. 4)."""
    return float(frequency_dependent_rejection_db(emission, response, 0.0))


def off_frequency_rejection_db(emission: Spectrum, response: Spectrum, offsets_hz: ArrayLike) -> Decibels:
    """OFR in dB: what the offset adds to the on-tune rejection, FDR − OTR (ITU-R SM.337 eq. 3)."""
    return frequency_dependent_rejection_db(emission, response, offsets_hz) - on_tune_rejection_db(
        emission, response
    )


# ------------------------------------------------------------------------------------------------ devices

PROTECTION_DB: Final[dict[Modulation, float]] = {
    "analogue mono": 20.0,
    "analogue stereo": 30.0,
    "digital": 20.0,
    "dense digital": 25.0,
    "two-way": 12.0,
    "wideband": 20.0,
}
"""Wanted over unwanted, within the receiver's filter. 20 dB for microphones: IEEE 802.22-09/0068r2 (2009).
Stereo and dense digital: common practice, no source. Two-way: from memory. Settings, not constants."""

Mask = tuple[tuple[float, float], ...]

MOST_POINTS: Final = 32
"""A mask or filter of one's own has no more points than this."""


def mask_of(points: Sequence[tuple[float, float]], bandwidth_hz: float) -> Mask:
    """(offset in Hz, dB) points out of a data sheet as a mask or a filter's shape, in bandwidths.

    ValueError, with a way out, unless they begin at 0 Hz with 0 dB, go outwards and never rise; two at one offset
    make a step.
    """
    if not 2 <= len(points) <= MOST_POINTS:
        raise ValueError(f"give 2 to {MOST_POINTS} points, not {len(points)}")
    if tuple(points[0]) != (0, 0):
        raise ValueError("begin at the carrier: the first point is 0 Hz and 0 dB")
    for number, (before, point) in enumerate(itertools.pairwise(points), 2):
        if point[0] < before[0]:
            raise ValueError(
                f"point {number} is nearer to the carrier than the one before; list them outwards"
            )
        if point[1] > before[1]:
            raise ValueError(
                f"point {number} is higher than the one before; levels fall outwards, such as -60"
            )
        if point[0] > MOST_OFFSET_HZ or point[1] < LEAST_DB:
            raise ValueError(f"point {number} lies beyond {MOST_OFFSET_HZ / 1e6:g} MHz or {LEAST_DB:g} dB")
    return tuple((offset / bandwidth_hz, float(level)) for offset, level in points)


MOST_OFFSET_HZ: Final = 100e6
LEAST_DB: Final = -200.0
"""How far out and how low a point of one's own may lie: beyond, every device is at its floor."""

EMISSION_MASKS: Final[dict[Modulation, Mask]] = {
    "analogue mono": ((0.0, 0.0), (0.35, 0.0), (0.35, -20.0), (0.5, -60.0), (1.0, -80.0)),
    "analogue stereo": ((0.0, 0.0), (0.35, 0.0), (0.35, -20.0), (0.5, -60.0), (1.0, -80.0)),
    "digital": ((0.0, 0.0), (0.5, 0.0), (0.5, -30.0), (1.0, -50.0), (1.75, -80.0)),
    "dense digital": ((0.0, 0.0), (0.5, 0.0), (0.5, -30.0), (1.0, -50.0), (1.75, -80.0)),
    "two-way": ((0.0, 0.0), (0.4, 0.0), (0.6, -60.0), (1.5, -70.0)),
    "wideband": ((0.0, 0.0), (0.5, 0.0), (0.5, -40.0), (1.0, -60.0), (2.5, -80.0)),
}
"""Offset in bandwidths, dB against the density within the channel. Breakpoints of the EN 300 422-1 masks from
memory; two-way after the 60 dB adjacent-channel limit of EN 300 086, from memory. A mask is a limit: most
equipment is better, so these ask for more separation than a measured device would."""

FLOOR_AT_HZ: Final = 1e6
"""Where an emission has come down to its broadband noise (from memory: about −90 dB at 1 MHz)."""


def emission(
    modulation: Modulation, bandwidth_hz: float, floor_db: float = -90.0, mask: Mask | None = None
) -> Spectrum:
    """An emission: a mask, or that of its modulation, about its bandwidth, then down to its broadband noise.

    `floor_db` is relative to the density within the channel. It decides what a rack of strong transmitters
    does to receivers beside it.
    """
    shape = EMISSION_MASKS[modulation] if mask is None else mask
    points = [(offset * bandwidth_hz, max(level, floor_db)) for offset, level in shape]
    return symmetrical([*points, (max(FLOOR_AT_HZ, 2.0 * points[-1][0]), floor_db)])


FILTER_SHAPES: Final[dict[Modulation, Mask]] = {
    "analogue mono": ((0.0, 0.0), (0.45, 0.0), (1.0, -50.0), (1.5, -70.0)),
    "analogue stereo": ((0.0, 0.0), (0.45, 0.0), (1.0, -40.0), (1.5, -60.0)),
    "digital": ((0.0, 0.0), (0.5, 0.0), (0.8, -50.0), (1.25, -70.0)),
    "dense digital": ((0.0, 0.0), (0.5, 0.0), (0.7, -50.0), (1.0, -70.0)),
    "two-way": ((0.0, 0.0), (0.4, 0.0), (0.8, -60.0), (2.0, -70.0)),
    "wideband": ((0.0, 0.0), (0.5, 0.0), (0.75, -40.0), (1.5, -60.0)),
}
"""Offset in bandwidths, response in dB: starting points, common practice without source. Two-way reaches the
60 dB adjacent-channel selectivity of EN 300 086 (from memory). Put a measured filter in their place."""


def receiver_filter(
    modulation: Modulation, bandwidth_hz: float, blocking_db: float = 80.0, shape: Mask | None = None
) -> Spectrum:
    """A receiver's filter: a shape, or that of its modulation, about its bandwidth, then to `blocking_db`.

    `blocking_db` is the rejection far away, reached at 1 MHz or four times the shape, whichever is further.
    """
    half = FILTER_SHAPES[modulation] if shape is None else shape
    points = [(offset * bandwidth_hz, max(level, -blocking_db)) for offset, level in half]
    return symmetrical([*points, (max(1e6, 4.0 * points[-1][0]), -blocking_db)])


def blocking_excess_db(
    level_dbm: float, blocking_db: float, noise_dbm: float, i_over_n_db: float = -6.0
) -> float:
    """How far an interferer far off frequency exceeds what a receiver's blocking rejection makes harmless.

    Harmless is P − rejection ≤ N + I/N. I/N = −6 dB: Radio Regulations No. 5.225A.
    """
    return level_dbm - blocking_db - (noise_dbm + i_over_n_db)


COMPRESSION_BELOW_IIP3_DB: Final = 9.64
"""1 dB compression lies this far under the third-order intercept of a cubic nonlinearity: 1 − 10^(−1/20)."""


def overload_db(level_dbm: float, iip3_dbm: float) -> float:
    """How far a carrier exceeds the 1 dB compression point of the chain; no separation in frequency helps."""
    return level_dbm - (iip3_dbm - COMPRESSION_BELOW_IIP3_DB)


OFFSETS_HZ: Final = np.concatenate(
    (np.arange(0, 1_000_000, 6_250), np.arange(1_000_000, 4_000_000, 25_000), np.arange(4e6, 32.1e6, 250_000))
)
"""Offsets at which rejection is tabulated: 6.25 kHz to 1 MHz, 25 kHz to 4 MHz, 250 kHz to 32 MHz."""


STEP_HZ: Final = 6_250
STEPS_HZ: Final = np.arange(0, 32_000_001, STEP_HZ)
"""Offsets in even steps over the same reach, for looking many carriers up at once."""


@dataclass(frozen=True)
class Separation:
    """The smallest offset that gives the rejection asked for; what is `short_db` of it even far away."""

    min_hz: int
    short_db: float = 0.0


@dataclass(frozen=True)
class Rejection:
    """Frequency-dependent rejection of one kind's emission by another kind's receiver, tabulated."""

    emission: Spectrum
    response: Spectrum

    @cached_property
    def table_db(self) -> Decibels:
        """FDR at `OFFSETS_HZ`, as the least of it at this offset and beyond: further off is never worse."""
        fdr = frequency_dependent_rejection_db(self.emission, self.response, OFFSETS_HZ)
        return np.minimum.accumulate(fdr[::-1])[::-1]

    def at(self, offsets_hz: ArrayLike) -> Decibels:
        """Rejection in dB at offsets of either sign, straight between the tabulated ones."""
        finite = np.minimum(self.table_db, 400.0)
        return np.interp(np.abs(np.asarray(offsets_hz, dtype=np.float64)), OFFSETS_HZ, finite)

    def separation_over(self, radiated_dbm: float, coupling_db: float, threshold_dbm: float) -> Separation:
        """Smallest offset at a coupling loss between two devices: loss + FDR ≥ P − I_max (ITU-R SM.337)."""
        return self.separation(radiated_dbm - coupling_db - threshold_dbm)

    def separation(self, needed_db: float) -> Separation:
        """Smallest tabulated offset with at least this rejection; 0 Hz when none is needed.

        If no offset suffices, the offset where the rejection has come within half a dB of its best, and what
        is short of the need.
        """
        if needed_db <= 0.0 or needed_db <= self.table_db[0]:
            return Separation(0)
        best = float(self.table_db[-1])
        target = min(needed_db, best - 0.5 if needed_db > best else needed_db)
        place = int(np.searchsorted(self.table_db, target))
        return Separation(int(OFFSETS_HZ[place]), max(0.0, needed_db - best))
