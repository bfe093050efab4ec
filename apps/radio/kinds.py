"""Kinds of device by their radio figures, and the body losses to start from.

Belongs here: what a class of device sends and what its receiver needs. Masks, filters and protection ratios
by modulation are in `selectivity`, guards in `products`.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from apps.radio.chains import SendingChain
from apps.radio.products import GUARDS_HZ
from apps.radio.selectivity import PROTECTION_DB, Mask, Modulation


@dataclass(frozen=True)
class BodyLoss:
    """What a body takes from a worn or held device: least (interfering) and usual (wanted)."""

    least_db: float
    usual_db: float


_NONE, _HELD, _WORN = BodyLoss(0.0, 0.0), BodyLoss(0.0, 8.0), BodyLoss(6.0, 14.0)

BODY_LOSS: Final[dict[str, BodyLoss]] = {
    "hand_held": _HELD,
    "two_way": _HELD,
    "body_worn": _WORN,
    "in_ear": _WORN,
    "intercom": _WORN,
    "telemetry": _WORN,
    "link": _NONE,
    "any": _NONE,
    "": _NONE,
}
"""By the use of a device that a person wears or holds. Starting figures met in spectrum studies, from memory,
low confidence: hand-held 6 to 11 dB, belt-worn 14 to 21 dB. A setting of each kind, not a constant; the fade
allowance comes on top (IEEE 802.22-09/0068r2: up to 27 dB for both)."""


@dataclass(frozen=True)
class Kind:
    """The radio figures of a class of device. `low_hz` to `high_hz` is what it tunes.

    `body` is the loss at the sending end, `receiver_body` at the receiving one. Without `iip3_dbm` any
    product counts; without `protection_db`, `guards_hz`, `mask` or `filter` those of its modulation hold.
    `mask` and `filter` are (offset in bandwidths, dB) points.
    """

    id: str
    modulation: Modulation
    bandwidth_hz: int
    low_hz: int
    high_hz: int
    sending: SendingChain
    use: str = ""
    body: BodyLoss = BODY_LOSS[""]
    receiver_body: BodyLoss = BODY_LOSS[""]
    noise_figure_db: float = 6.0
    iip3_dbm: float | None = None
    iip5_dbm: float | None = None
    floor_db: float = -90.0
    blocking_db: float = 80.0
    protection_db: float | None = None
    guards_hz: Mapping[str, int] | None = None
    mask: Mask | None = None
    filter: Mask | None = None
    mixes: bool = True

    @property
    def protection(self) -> float:
        return PROTECTION_DB[self.modulation] if self.protection_db is None else self.protection_db

    @property
    def guards(self) -> Mapping[str, int]:
        return GUARDS_HZ[self.modulation] if self.guards_hz is None else self.guards_hz
