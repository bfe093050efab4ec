"""Decibels, powers, radiated powers, field strengths and thermal noise.

Belongs here: conversions between the quantities of a link budget. Every function takes a float or a
numpy array and returns the same shape. Levels are dBm (decibels over one milliwatt) unless the name
says otherwise, frequencies and bandwidths are hertz, distances are metres.
"""

import math
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

SPEED_OF_LIGHT_M_S: Final = 299_792_458.0
"""Exact by the definition of the metre (SI)."""

BOLTZMANN_J_K: Final = 1.380649e-23
"""Exact by the definition of the kelvin (SI, 2019)."""

FREE_SPACE_IMPEDANCE_OHM: Final = 119.9169832 * math.pi
"""Characteristic impedance of free space, 376.73 ohm (4·pi·1e-7·c before 2019, the same to nine digits)."""

REFERENCE_TEMPERATURE_K: Final = 290.0
"""Noise figures refer to 290 K (ITU-R P.372 and IEEE 161)."""

DIPOLE_DBI: Final = 2.15
"""Gain of a half-wave dipole over an isotropic radiator; e.i.r.p. = e.r.p. + 2.15 dB (ITU-R V.573)."""

Decibels = NDArray[np.float64]


def decibels(ratio: ArrayLike) -> Decibels:
    """10·log10 of a power ratio. Zero gives minus infinity, which stays correct in sums and comparisons."""
    with np.errstate(divide="ignore"):
        return 10.0 * np.log10(np.asarray(ratio, dtype=np.float64))


def power_ratio(level_db: ArrayLike) -> NDArray[np.float64]:
    """The power ratio of a level in dB. The inverse of `decibels`."""
    return 10.0 ** (np.asarray(level_db, dtype=np.float64) / 10.0)


def dbm(milliwatts: ArrayLike) -> Decibels:
    """Power in milliwatts as dBm: 10·log10(P / 1 mW)."""
    return decibels(milliwatts)


def milliwatts(level_dbm: ArrayLike) -> NDArray[np.float64]:
    """Power in dBm as milliwatts."""
    return power_ratio(level_dbm)


def power_sum_dbm(levels_dbm: ArrayLike, axis: int | None = None) -> Decibels:
    """Sum of independent powers, each in dBm, along `axis`. Nothing to sum gives minus infinity."""
    return decibels(power_ratio(levels_dbm).sum(axis=axis))


def eirp_from_erp(erp_dbm: ArrayLike) -> Decibels:
    """e.i.r.p. in dBm of an e.r.p. in dBm."""
    return np.asarray(erp_dbm, dtype=np.float64) + DIPOLE_DBI


def erp_from_eirp(eirp_dbm: ArrayLike) -> Decibels:
    """e.r.p. in dBm of an e.i.r.p. in dBm."""
    return np.asarray(eirp_dbm, dtype=np.float64) - DIPOLE_DBI


def wavelength_m(hz: ArrayLike) -> NDArray[np.float64]:
    """Wavelength in free space, in metres."""
    return SPEED_OF_LIGHT_M_S / np.asarray(hz, dtype=np.float64)


def thermal_noise_dbm(bandwidth_hz: ArrayLike, noise_figure_db: ArrayLike = 0.0) -> Decibels:
    """Noise power k·T·B at 290 K in dBm, raised by a noise figure in dB."""
    density_mw_hz = BOLTZMANN_J_K * REFERENCE_TEMPERATURE_K * 1e3
    return decibels(density_mw_hz * np.asarray(bandwidth_hz, dtype=np.float64)) + np.asarray(noise_figure_db)


def noise_rise_db(interference_over_noise_db: ArrayLike) -> Decibels:
    """How far interference at I/N (dB) lifts the noise floor: 10·log10(1 + I/N)."""
    return decibels(1.0 + power_ratio(interference_over_noise_db))


def power_from_field(field_dbuv_m: ArrayLike, hz: ArrayLike) -> Decibels:
    """Power in dBm that an isotropic antenna takes from a field in dBµV/m.

    P = E²/Z0 · wavelength²/(4·pi), that is E − 20·log10(f/MHz) − 77.2 (ITU-R P.525, conversion formulas).
    """
    field_v_m = 10.0 ** ((np.asarray(field_dbuv_m, dtype=np.float64) - 120.0) / 20.0)
    watts = field_v_m**2 / FREE_SPACE_IMPEDANCE_OHM * wavelength_m(hz) ** 2 / (4.0 * math.pi)
    return decibels(watts * 1e3)


def field_from_power(level_dbm: ArrayLike, hz: ArrayLike) -> Decibels:
    """Field in dBµV/m at which an isotropic antenna takes this power. The inverse of `power_from_field`."""
    return np.asarray(level_dbm, dtype=np.float64) - power_from_field(0.0, hz)


def power_density_w_m2(eirp_dbm: ArrayLike, distance_m: ArrayLike) -> NDArray[np.float64]:
    """Power density in W/m² in free space at a distance from a radiator: e.i.r.p./(4·pi·d²)."""
    watts = milliwatts(eirp_dbm) / 1e3
    return watts / (4.0 * math.pi * np.asarray(distance_m, dtype=np.float64) ** 2)


def field_at_distance(eirp_dbm: ArrayLike, distance_m: ArrayLike) -> Decibels:
    """Field in dBµV/m in free space at a distance from a radiator: E = sqrt(S·Z0)."""
    field_v_m = np.sqrt(power_density_w_m2(eirp_dbm, distance_m) * FREE_SPACE_IMPEDANCE_OHM)
    return 2.0 * decibels(field_v_m) + 120.0
