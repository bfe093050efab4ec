"""The sending and the receiving chain: what is radiated, and what a receiver makes of a level at its antenna.

Belongs here: sums along a chain of cable, combiner, amplifier and antenna, and the check of a radiated power
against its limit. Levels are dBm, gains and losses dB. A loss is a positive number of dB.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from apps.radio.units import DIPOLE_DBI, dbm, decibels, power_ratio, thermal_noise_dbm

Basis = Literal["erp", "eirp", "conducted"]

NO_INTERCEPT_DBM: Final = float("inf")
"""Third-order intercept point of a passive part: it makes no products."""


@dataclass(frozen=True)
class SendingChain:
    """Conducted power of a transmitter and what stands between it and the air."""

    power_dbm: float
    cable_db: float = 0.0
    combiner_db: float = 0.0
    antenna_dbi: float = 0.0

    @property
    def at_antenna_dbm(self) -> float:
        """Power delivered to the antenna."""
        return self.power_dbm - self.cable_db - self.combiner_db

    @property
    def eirp_dbm(self) -> float:
        """Radiated power over an isotropic radiator."""
        return self.at_antenna_dbm + self.antenna_dbi

    @property
    def erp_dbm(self) -> float:
        """Radiated power over a half-wave dipole."""
        return self.eirp_dbm - DIPOLE_DBI

    def words(self) -> str:
        """The sum for people: «17.0 dBm − combiner 6.0 − cable 1.5 + antenna 5.0 dBi = 14.5 dBm e.i.r.p. (…)»."""
        losses = [
            f" − {name} {loss:.1f}"
            for name, loss in (("combiner", self.combiner_db), ("cable", self.cable_db))
            if loss
        ]
        antenna = f" {'−' if self.antenna_dbi < 0 else '+'} antenna {abs(self.antenna_dbi):.1f} dBi"
        radiated = f"{self.eirp_dbm:.1f} dBm e.i.r.p. ({self.erp_dbm:.1f} dBm e.r.p.)"
        return f"{self.power_dbm:.1f} dBm{''.join(losses)}{antenna} = {radiated}"

    def power_on_basis_dbm(self, basis: Basis) -> float:
        """The power that a limit on this basis speaks of; `conducted` is what the transmitter delivers."""
        return {"erp": self.erp_dbm, "eirp": self.eirp_dbm, "conducted": self.power_dbm}[basis]


@dataclass(frozen=True)
class SendingSystem:
    """What the transmitters of one place share on their way to the air; an antenna stands in place of their own."""

    cable_db: float = 0.0
    combiner_db: float = 0.0
    antenna_dbi: float | None = None

    def carrying(self, chain: SendingChain) -> SendingChain:
        """A transmitter's own chain, then this one."""
        return replace(
            chain,
            cable_db=chain.cable_db + self.cable_db,
            combiner_db=chain.combiner_db + self.combiner_db,
            antenna_dbi=chain.antenna_dbi if self.antenna_dbi is None else self.antenna_dbi,
        )


OWN_ANTENNAS: Final = SendingSystem()
"""Nothing is shared: every transmitter has an antenna of its own."""


def room_under_limit_db(chain: SendingChain, limit_mw: float, basis: Basis) -> float:
    """How far a chain stays under a power limit, in dB; negative when it exceeds it.

    ValueError for a limit of zero or less.
    """
    if limit_mw <= 0:
        raise ValueError(f"limit_mw must be more than 0, not {limit_mw:g}")
    return float(dbm(limit_mw)) - chain.power_on_basis_dbm(basis)


@dataclass(frozen=True)
class Stage:
    """One part of a receiving chain, from the antenna inwards."""

    name: str
    gain_db: float
    noise_figure_db: float
    iip3_dbm: float = NO_INTERCEPT_DBM

    def words(self) -> str:
        gain = f" {'−' if self.gain_db < 0 else '+'}{abs(self.gain_db):.1f} dB" if self.gain_db else ""
        if self.iip3_dbm == NO_INTERCEPT_DBM and self.gain_db < 0:
            return f"{self.name}{gain}"
        return f"{self.name}{gain} (noise figure {self.noise_figure_db:.1f} dB, {_intercept(self.iip3_dbm)})"


def _intercept(iip3_dbm: float) -> str:
    return (
        "no intercept point known"
        if iip3_dbm == NO_INTERCEPT_DBM
        else f"intercept point {round(iip3_dbm, 1) + 0.0:.1f} dBm"
    )


def passive(name: str, loss_db: float) -> Stage:
    """A cable, splitter or filter at 290 K: its noise figure is its loss, and it makes no products."""
    if loss_db < 0:
        raise ValueError(f"{name}: a loss is 0 dB or more, not {loss_db:g}")
    return Stage(name, -loss_db, loss_db)


@dataclass(frozen=True)
class ReceivingChain:
    """Antenna gain and the stages behind it; the last stage is the receiver itself."""

    antenna_dbi: float
    stages: tuple[Stage, ...]

    @property
    def gain_db(self) -> float:
        """Gain from the antenna terminals to the receiver's input: all stages but the last."""
        return sum(stage.gain_db for stage in self.stages[:-1])

    @property
    def noise_figure_db(self) -> float:
        """Noise figure of the whole chain at the antenna terminals (Friis 1944)."""
        return cascade_noise_figure_db(self.stages)

    @property
    def iip3_dbm(self) -> float:
        """Third-order intercept point of the whole chain, referred to the antenna terminals."""
        return cascade_iip3_dbm(self.stages)

    def words(self, *, assumed: bool = False) -> str:
        """Parts and sum for people: «antenna 6.0 dBi, cable −2.0 dB, receiver (noise figure 6.0 dB, …): together …».

        `assumed`: nobody knows the receiver's intercept point, so none is told.
        """
        stages = (
            [replace(stage, iip3_dbm=NO_INTERCEPT_DBM) for stage in self.stages[-1:]]
            if assumed
            else self.stages[-1:]
        )
        parts = [
            f"antenna {self.antenna_dbi:.1f} dBi",
            *(stage.words() for stage in (*self.stages[:-1], *stages)),
        ]
        intercept = "" if assumed else f", {_intercept(self.iip3_dbm)}"
        return f"{', '.join(parts)}: together noise figure {self.noise_figure_db:.1f} dB{intercept} at the antenna"

    def level_dbm(self, eirp_dbm: float, loss_db: float) -> float:
        """Level at the antenna terminals of a radiated power after a path loss."""
        return eirp_dbm - loss_db + self.antenna_dbi

    def noise_dbm(self, bandwidth_hz: float) -> float:
        """Noise in a bandwidth, referred to the antenna terminals."""
        return float(thermal_noise_dbm(bandwidth_hz, self.noise_figure_db))


def cascade_noise_figure_db(stages: Sequence[Stage]) -> float:
    """Noise figure of stages in a row: F = F1 + (F2 − 1)/G1 + (F3 − 1)/(G1·G2) + … (Friis 1944)."""
    factors = power_ratio([stage.noise_figure_db for stage in stages])
    added = (factors - 1.0) / _gain_before(stages)
    return float(decibels(1.0 + added.sum()))


def cascade_iip3_dbm(stages: Sequence[Stage]) -> float:
    """Input intercept point of stages in a row: 1/P = 1/P1 + G1/P2 + G1·G2/P3 + … (standard relation).

    Products of the stages add in power. Infinite when every stage is passive.
    """
    reciprocal = float((_gain_before(stages) * power_ratio([-stage.iip3_dbm for stage in stages])).sum())
    return float(-decibels(reciprocal))


def iip3_from_response_dbm(sensitivity_dbm: float, response_db: float, protection_db: float = 0.0) -> float:
    """Intercept point of a receiver from its specified intermodulation response rejection.

    Two signals `response_db` over the sensitivity make a product `protection_db` under it:
    3·(S + R) − 2·IIP3 = S − PR (standard relation).
    """
    return sensitivity_dbm + 1.5 * response_db + protection_db / 2.0


def _gain_before(stages: Sequence[Stage]) -> np.ndarray:
    """Power gain from the antenna to the input of each stage."""
    gains = [stage.gain_db for stage in stages]
    return power_ratio(np.concatenate(([0.0], np.cumsum(gains)[:-1]))) if gains else np.zeros(0)
