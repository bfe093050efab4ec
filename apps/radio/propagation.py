"""Path loss: free space, street-level line of sight, low terminals, building entry, body loss and fading.

Belongs here: the published models as functions of frequency, distance, heights and percentile. Which model
applies between two places is decided in `site`. Every function takes floats or numpy arrays. Models predict
medians and spreads over many places: keep a margin, and measure on site.
"""

import math

import numpy as np
from numpy.typing import ArrayLike

from apps.radio.units import Decibels, wavelength_m


def free_space_db(hz: ArrayLike, distance_m: ArrayLike) -> Decibels:
    """Free-space loss between isotropic antennas in dB, 20·log10(4·pi·d/wavelength) (ITU-R P.525).

    With the exact speed of light, so 0.05 dB above the Recommendation's rounded 32.4 form. ValueError for
    a distance of zero or less.
    """
    distance = _positive("distance_m", distance_m)
    return 20.0 * np.log10(4.0 * math.pi * distance / wavelength_m(_positive("hz", hz)))


def _positive(name: str, value: ArrayLike) -> np.ndarray:
    array = np.asarray(value, dtype=np.float64)
    if not np.all(array > 0):
        raise ValueError(f"{name} must be more than 0, not {float(array.min()):g}")
    return array
