"""The settings of the model: every constant that a site may want to change, with where it comes from.

Belongs here: constants that hold for a whole site. Those of one kind stand in `kinds`, those of one place in
`places`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from apps.radio.products import FADE_DB
from apps.radio.propagation import BuiltUp

Treatment = Literal["forbid", "penalise"]


@dataclass(frozen=True)
class Wish:
    """A separation worth something beyond what must be, between two uses.

    It holds where the rejection needed between the two is `from_db` or more.
    """

    uses: tuple[str, str]
    min_hz: int
    weight: float
    note: str
    from_db: float = 60.0


WISHES: Final = (
    Wish(("in_ear", "hand_held"), 6_000_000, 0.5, "racks away from microphones; common practice, no source"),
    Wish(("in_ear", "body_worn"), 6_000_000, 0.5, "packs away from microphones; common practice, no source"),
)


@dataclass(frozen=True)
class Settings:
    """Every constant of the model. `surroundings` other than open apply between low terminals out of sight.

    `coupling_db`: from one transmitter to the next standing together, by what stands there; assumptions, no
    source. `assumed_iip3_dbm`: what margins count with where a kind has no figure; an assumption, no source.
    `fade_db` comes off the wanted signal. I/N = −6 dB: Radio Regulations No. 5.225A. `treatments`:
    interference from more than two strong signals is very improbable (ITU-R SM.1134), so those cost.
    """

    surroundings: Literal["open"] | BuiltUp = "open"
    fade_db: float = FADE_DB
    i_over_n_db: float = -6.0
    strong_percent: float = 10.0
    weak_percent: float = 90.0
    low_terminal_m: float = 3.0
    free_space_to_m: float = 10.0
    least_m: float = 0.5
    coupling_db: Mapping[str, float] = field(
        default_factory=lambda: {"bodies": 34.0, "rack": 40.0, "antennas": 30.0}
    )
    conversion_db: float = 12.0
    assumed_iip3_dbm: float = -10.0
    limit_step_db: float = 3.0
    treatments: Mapping[str, Treatment] = field(
        default_factory=lambda: {"2A-B": "forbid", "A+B-C": "penalise", "3A-2B": "penalise"}
    )
    wishes: tuple[Wish, ...] = WISHES
