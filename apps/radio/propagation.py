"""Path loss: free space, street-level line of sight, low terminals, building entry and single walls.

Belongs here: the published models as functions of frequency, distance, heights and percentile. Which model
applies between two places, and what bodies and fading cost, is decided in `site`. Every function takes floats
or numpy arrays. A percentile is that of places where the loss is no more than the result: 10 is a good path,
50 the median, 90 a bad one. Models predict medians over many places: keep a margin, and measure on site.
"""

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from apps.radio.units import Decibels, decibels, power_ratio, wavelength_m

Bound = Literal["lower", "median", "upper"]
BuiltUp = Literal["suburban", "urban", "dense"]
Building = Literal["traditional", "thermally efficient"]

VACUUM_PERMITTIVITY_F_M: Final = 8.8541878128e-12


def free_space_db(hz: ArrayLike, distance_m: ArrayLike) -> Decibels:
    """Free-space loss between isotropic antennas in dB, 20·log10(4·pi·d/wavelength) (ITU-R P.525).

    With the exact speed of light, so 0.05 dB above the Recommendation's rounded 32.4 form. ValueError for
    a distance of zero or less.
    """
    distance = _positive("distance_m", distance_m)
    return 20.0 * np.log10(4.0 * math.pi * distance / wavelength_m(_positive("hz", hz)))


def plane_earth_db(distance_m: ArrayLike, height_1_m: ArrayLike, height_2_m: ArrayLike) -> Decibels:
    """Loss far beyond the breakpoint over flat ground, 40·log10(d) − 20·log10(h1·h2) (the two-ray limit)."""
    heights = _positive("height_1_m", height_1_m) * _positive("height_2_m", height_2_m)
    return 40.0 * np.log10(_positive("distance_m", distance_m)) - 20.0 * np.log10(heights)


def breakpoint_m(hz: ArrayLike, height_1_m: ArrayLike, height_2_m: ArrayLike) -> NDArray[np.float64]:
    """Distance where the loss over flat ground steepens from 20 to 40 dB a decade: 4·h1·h2/wavelength."""
    heights = _positive("height_1_m", height_1_m) * _positive("height_2_m", height_2_m)
    return 4.0 * heights / wavelength_m(hz)


def street_line_of_sight_db(
    hz: ArrayLike,
    distance_m: ArrayLike,
    height_1_m: ArrayLike,
    height_2_m: ArrayLike,
    bound: Bound = "median",
) -> Decibels:
    """Loss along a street or an open ground with both ends in sight, UHF (ITU-R P.1411 §4.1.2, 0.3 to 3 GHz).

    The `lower` bound dips up to 6 dB below free space at the breakpoint, where two rays add.
    """
    wavelength = wavelength_m(_positive("hz", hz))
    heights = _positive("height_1_m", height_1_m) * _positive("height_2_m", height_2_m)
    at_breakpoint = np.abs(20.0 * np.log10(wavelength**2 / (8.0 * math.pi * heights)))
    decades = np.log10(_positive("distance_m", distance_m) / (4.0 * heights / wavelength))
    offset, near_slope = {"lower": (0.0, 20.0), "median": (6.0, 20.0), "upper": (20.0, 25.0)}[bound]
    return at_breakpoint + offset + np.where(decades <= 0, near_slope, 40.0) * decades


def low_terminals_in_sight_db(hz: ArrayLike, distance_m: ArrayLike, percent: float = 50.0) -> Decibels:
    """Loss in sight with both ends near the ground, at a location percentile (ITU-R P.1411 §4.3.1).

    The location term is a Rayleigh spread of 7 dB about the median.
    """
    spread = 1.5624 * 7.0 * (math.sqrt(-2.0 * math.log(1.0 - _share(percent))) - 1.1774)
    return _log_mhz_km(32.45, 20.0, 20.0, hz, distance_m) + spread


def low_terminals_out_of_sight_db(
    hz: ArrayLike, distance_m: ArrayLike, percent: float = 50.0, built_up: BuiltUp = "suburban"
) -> Decibels:
    """Loss out of sight with both ends near the ground, at a location percentile (ITU-R P.1411 §4.3.1)."""
    surroundings = {"suburban": 0.0, "urban": 6.8, "dense": 2.3}[built_up]
    return _log_mhz_km(9.5, 45.0, 40.0, hz, distance_m) + surroundings + 7.0 * _deviate(percent)


def line_of_sight_range_m(percent: float) -> float:
    """Distance to which a share of low terminals sees the other (ITU-R P.1411 §4.3.1).

    From memory, with its table of 976, 276, 44, 16 and 10 m for 1, 10, 50, 90 and 99 percent.
    """
    share = _share(percent)
    if percent < 45.0:
        return 212.0 * math.log10(share) ** 2 - 64.0 * math.log10(share)
    return 79.2 - 70.0 * share


CORNER_M: Final = 20.0
"""Width of the transition from in sight to out of sight (ITU-R P.1411 §4.3.1, from memory)."""


def low_terminals_db(
    hz: ArrayLike, distance_m: ArrayLike, percent: float = 50.0, built_up: BuiltUp = "suburban"
) -> Decibels:
    """Loss between low terminals with the corner between: in sight, over 20 m linearly, then out of sight.

    ITU-R P.1411 §4.3.1 (300 to 3000 MHz, up to 3 km); the way the two are joined is from memory.
    """
    distance = _positive("distance_m", distance_m)
    corner_m = line_of_sight_range_m(percent)
    before = low_terminals_in_sight_db(hz, corner_m, percent)
    after = low_terminals_out_of_sight_db(hz, corner_m + CORNER_M, percent, built_up)
    turning = before + (after - before) * (distance - corner_m) / CORNER_M
    return np.where(
        distance <= corner_m,
        low_terminals_in_sight_db(hz, distance, percent),
        np.where(
            distance <= corner_m + CORNER_M,
            turning,
            low_terminals_out_of_sight_db(hz, distance, percent, built_up),
        ),
    )


@dataclass(frozen=True)
class _EntryCoefficients:
    """Table 1 of ITU-R P.2109-2."""

    r: float
    s: float
    t: float
    u: float
    v: float
    w: float
    x: float
    y: float
    z: float


_ENTRY: Final[dict[Building, _EntryCoefficients]] = {
    "traditional": _EntryCoefficients(12.64, 3.72, 0.96, 9.6, 2.0, 9.1, -3.0, 4.5, -2.0),
    "thermally efficient": _EntryCoefficients(28.19, -3.00, 8.48, 13.5, 3.8, 27.8, -2.9, 9.4, -2.1),
}


def building_entry_db(
    hz: ArrayLike, percent: float = 50.0, building: Building = "traditional", elevation_deg: float = 0.0
) -> Decibels:
    """Loss into or out of a building, not exceeded in `percent` of cases (ITU-R P.2109-2, from 0.08 GHz)."""
    c = _ENTRY[building]
    log_ghz = np.log10(_positive("hz", hz) / 1e9)
    deviate = _deviate(percent)
    median = c.r + c.s * log_ghz + c.t * log_ghz**2 + 0.212 * abs(elevation_deg)
    a = deviate * (c.u + c.v * log_ghz) + median
    b = deviate * (c.y + c.z * log_ghz) + c.w + c.x * log_ghz
    return decibels(power_ratio(a) + power_ratio(b) + power_ratio(-3.0))


@dataclass(frozen=True)
class Material:
    """Relative permittivity a·f^b and conductivity c·f^d in S/m, f in GHz (ITU-R P.2040 Table 3).

    Most rows are valid from 1 GHz up, so their use at UHF is an extrapolation.
    """

    a: float
    b: float
    c: float
    d: float

    def permittivity(self, hz: ArrayLike) -> NDArray[np.float64]:
        return self.a * (np.asarray(hz, dtype=np.float64) / 1e9) ** self.b

    def conductivity_s_m(self, hz: ArrayLike) -> NDArray[np.float64]:
        return self.c * (np.asarray(hz, dtype=np.float64) / 1e9) ** self.d


MATERIALS: Final[dict[str, Material]] = {
    "concrete": Material(5.24, 0.0, 0.0462, 0.7822),
    "brick": Material(3.91, 0.0, 0.0238, 0.16),
    "plasterboard": Material(2.73, 0.0, 0.0085, 0.9395),
    "wood": Material(1.99, 0.0, 0.0047, 1.0718),
    "glass": Material(6.31, 0.0, 0.0036, 1.3394),
    "ceiling board": Material(1.48, 0.0, 0.0011, 1.0750),
    "chipboard": Material(2.58, 0.0, 0.0217, 0.7800),
    "plywood": Material(2.71, 0.0, 0.33, 0.0),
    "marble": Material(7.074, 0.0, 0.0055, 0.9262),
    "metal": Material(1.0, 0.0, 1e7, 0.0),
    "medium dry ground": Material(15.0, -0.1, 0.035, 1.63),
}


def wall_db(hz: ArrayLike, material: str, thickness_m: float) -> Decibels:
    """Loss through one slab at normal incidence, with the echoes between its faces (ITU-R P.2040).

    ValueError for an unknown material, with the known ones. A metal sheet gives hundreds of dB: in life the
    signal comes round it, so bound the sum of walls by a building-entry figure.
    """
    if material not in MATERIALS:
        raise ValueError(f"unknown material {material!r}; known are {', '.join(sorted(MATERIALS))}")
    f = _positive("hz", hz)
    row = MATERIALS[material]
    loss_part = row.conductivity_s_m(f) / (2.0 * math.pi * f * VACUUM_PERMITTIVITY_F_M)
    index = np.sqrt(row.permittivity(f) - 1j * loss_part)
    reflection = (1.0 - index) / (1.0 + index)
    phase = 2.0 * math.pi * _positive("thickness_m", thickness_m) / wavelength_m(f) * index
    through = (1.0 - reflection**2) * np.exp(-1j * phase) / (1.0 - reflection**2 * np.exp(-2j * phase))
    return -2.0 * decibels(np.abs(through))


def _log_mhz_km(
    constant: float, per_decade_f: float, per_decade_d: float, hz: ArrayLike, distance_m: ArrayLike
) -> Decibels:
    mhz = _positive("hz", hz) / 1e6
    kilometres = _positive("distance_m", distance_m) / 1e3
    return constant + per_decade_f * np.log10(mhz) + per_decade_d * np.log10(kilometres)


def _share(percent: float) -> float:
    if not 0.0 < percent < 100.0:
        raise ValueError(f"percent must lie between 0 and 100, both excluded, not {percent:g}")
    return percent / 100.0


def _deviate(percent: float) -> float:
    """Standard normal deviate that `percent` of cases do not exceed."""
    return NormalDist().inv_cdf(_share(percent))


def _positive(name: str, value: ArrayLike) -> NDArray[np.float64]:
    array = np.asarray(value, dtype=np.float64)
    if not np.all(array > 0):
        raise ValueError(f"{name} must be more than 0, not {float(array.min()):g}")
    return array
