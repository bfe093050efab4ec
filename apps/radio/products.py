"""Intermodulation: families of products, their number and strength, guards and limits; harmonics.

Belongs here: what a product is and how strong it becomes, by the memoryless polynomial and the intercept
point. Where products of a plan land and what they do to a receiver is counted in `margins`. The formulas rank
risks; they do not promise levels.
"""

import itertools
import math
from collections import Counter
from dataclasses import dataclass
from fractions import Fraction
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from apps.radio.selectivity import Modulation
from apps.radio.units import Decibels

Coefficients = tuple[int, ...]
MadeIn = Literal["receivers", "transmitters"]

FAMILIES: Final[dict[str, Coefficients]] = {
    "2A-B": (2, -1),
    "A+B-C": (1, 1, -1),
    "3A-2B": (3, -2),
    "3A-B-C": (3, -1, -1),
    "2A+B-2C": (2, 1, -2),
    "2A+B-C-D": (2, 1, -1, -1),
    "A+B+C-2D": (1, 1, 1, -2),
    "A+B+C-D-E": (1, 1, 1, -1, -1),
    "4A-3B": (4, -3),
}
"""In-band families by name: the coefficient of each letter. Odd orders whose coefficients sum to one."""


def order(coefficients: Coefficients) -> int:
    """Order of a product: the sum of the coefficients' magnitudes."""
    return sum(abs(c) for c in coefficients)


def count(coefficients: Coefficients, carriers: int) -> int:
    """Number of products of a family among distinct carriers: n!/(n − k)! over alike letters' orders."""
    alike = math.prod(math.factorial(times) for times in Counter(coefficients).values())
    return math.perm(carriers, len(coefficients)) // alike


def polynomial_coefficient(coefficients: Coefficients) -> Fraction:
    """Amplitude of a product per a_m·A^|c1|·B^|c2|…, cosine carriers of peak A, B…: m!/(Π|c|!)/2^(m−1)."""
    m = order(coefficients)
    ways = Fraction(math.factorial(m), math.prod(math.factorial(abs(c)) for c in coefficients))
    return ways / 2 ** (m - 1)


def two_carrier(m: int) -> Coefficients:
    """The two-carrier family of an odd order: 2A−B, 3A−2B, 4A−3B…"""
    return (m + 1) // 2, -(m - 1) // 2


def over_two_carrier_db(coefficients: Coefficients) -> float:
    """Strength against the two-carrier product of the same order with equal carriers: 20·log10(K/K2)."""
    ratio = polynomial_coefficient(coefficients) / polynomial_coefficient(two_carrier(order(coefficients)))
    return 20.0 * math.log10(ratio)


def product_dbm(coefficients: Coefficients, levels_dbm: ArrayLike, intercept_dbm: float) -> Decibels:
    """Level of a product referred to the input, Σ|c|·P − (m − 1)·IIPm + 20·log10(K/K2).

    `levels_dbm` has one level per letter along its last axis; the intercept point is the input one of the
    product's own order, at the same place as the levels. Standard relation.
    """
    weights = np.abs(np.asarray(coefficients, dtype=np.float64))
    m = order(coefficients)
    levels = np.asarray(levels_dbm, dtype=np.float64)
    return levels @ weights - (m - 1) * intercept_dbm + over_two_carrier_db(coefficients)


def intercept_of_polynomial_dbm(m: int, first: float, mth: float) -> float:
    """IIPm of y = a1·x + a_m·x^m where a cosine of peak A carries A²/2 mW: K2·|a_m|·A^(m−1) = |a1|."""
    k2 = float(polynomial_coefficient(two_carrier(m)))
    peak_squared = (abs(first) / (k2 * abs(mth))) ** (2.0 / (m - 1))
    return 10.0 * math.log10(peak_squared / 2.0)


def transmitter_product_dbm(carrier_dbm: float, coupling_db: float, conversion_db: float) -> float:
    """2A−B made in a transmitter: the other carrier after coupling and conversion loss (ITU-R SM.1134 §4)."""
    return carrier_dbm - coupling_db - conversion_db


def products_hz(
    coefficients: Coefficients, carriers_hz: ArrayLike
) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
    """All products of distinct carriers, each once: frequencies (p,) and the carriers' indices (p, letters).

    Grows as the number of carriers to the power of the letters: for a few carriers, or for tests.
    Letters with equal coefficients are listed in rising order of index.
    """
    carriers = np.asarray(carriers_hz, dtype=np.int64)
    letters = [
        chosen
        for chosen in itertools.permutations(range(carriers.size), len(coefficients))
        if all(
            chosen[i] < chosen[i + 1]
            for i in range(len(chosen) - 1)
            if coefficients[i] == coefficients[i + 1]
        )
    ]
    indices = np.array(letters, dtype=np.intp).reshape(-1, len(coefficients))
    return carriers[indices] @ np.asarray(coefficients, dtype=np.int64), indices


def outer_width_hz(coefficients: Coefficients, bandwidths_hz: ArrayLike) -> float:
    """Outer bound of a product's occupied width: Σ|c|·B, three bandwidths for the third order."""
    return float(np.asarray(bandwidths_hz, dtype=np.float64) @ np.abs(np.asarray(coefficients)))


# ------------------------------------------------------------------------------------------- guards, limits

GUARDS_HZ: Final[dict[Modulation, dict[str, int]]] = {
    "analogue mono": {"2A-B": 100_000, "A+B-C": 50_000, "3A-2B": 50_000},
    "analogue stereo": {"2A-B": 100_000, "A+B-C": 75_000, "3A-2B": 50_000},
    "digital": {"2A-B": 75_000, "A+B-C": 25_000},
    "dense digital": {"2A-B": 75_000, "A+B-C": 25_000},
    "two-way": {"2A-B": 12_500, "A+B-C": 12_500},
    "wideband": {},
}
"""How near a product may land to a victim of this modulation: starting rows, common practice, no source. Half
the victim's width and the product's spread are in them. Wideband is neither protected nor a source."""

FADE_DB: Final = 20.0
"""Allowance for the wanted signal's fading (design figure, no source; set it after a walk test)."""

ANY_PRODUCT_DB: Final = -40.0
"""Limit without figures: with carriers near full strength any product at all counts."""


@dataclass(frozen=True)
class Victim:
    """What a limit depends on: the level of a 0 dB carrier at the receiver, and the wanted one against it.

    `own_db` is the wanted level over that carrier before fading, negative in most cases.
    """

    strongest_dbm: float
    own_db: float
    protection_db: float
    fade_db: float = FADE_DB


def receiver_limit_db(coefficients: Coefficients, victim: Victim, intercept_dbm: float) -> float:
    """Limit for the summed weight of products made in the victim's receiver, carriers relative to P0.

    (m − 1)·(IIPm − P0) + own − PR − F − 20·log10(K/K2): for 2A−B 2·(IIP3 − P0) + own − PR − F, 6 dB less for
    A+B−C.
    """
    return (
        (order(coefficients) - 1) * (intercept_dbm - victim.strongest_dbm)
        + victim.own_db
        - victim.protection_db
        - victim.fade_db
        - over_two_carrier_db(coefficients)
    )


def transmitter_limit_db(victim: Victim, coupling_db: float, conversion_db: float) -> float:
    """Limit for products made in transmitters together: own − PR − F + coupling + conversion loss."""
    return victim.own_db - victim.protection_db - victim.fade_db + coupling_db + conversion_db


@dataclass(frozen=True)
class Harmonic:
    """The band in which a harmonic of a transmitter falls."""

    number: int
    low_hz: int
    high_hz: int


def harmonics(low_hz: int, high_hz: int, up_to_hz: int, highest: int = 7) -> list[Harmonic]:
    """Bands of the harmonics n = 2, 3… of an occupied band, as far as `up_to_hz`; each n times as wide."""
    return [Harmonic(n, n * low_hz, n * high_hz) for n in range(2, highest + 1) if n * low_hz <= up_to_hz]
