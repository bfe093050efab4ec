"""Places: what sends or receives at a site, where it stands, and how near its devices come to others.

Belongs here: the description of one place and the three places of a stage. The loss between two places is in
`paths`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from apps.radio.chains import OWN_ANTENNAS, SendingSystem, Stage
from apps.radio.outlines import Outline
from apps.radio.propagation import Building

Stands = Literal["antennas", "bodies", "rack"]


@dataclass(frozen=True)
class Distances:
    """How near, usually and far two places' devices come, in metres."""

    nearest_m: float
    usual_m: float
    farthest_m: float

    def __post_init__(self) -> None:
        if not 0 < self.nearest_m <= self.usual_m <= self.farthest_m:
            raise ValueError(
                "distances must be more than 0 and in the order nearest, usual, farthest, not "
                f"{self.nearest_m:g}, {self.usual_m:g}, {self.farthest_m:g} m"
            )


@dataclass(frozen=True)
class Place:
    """A place that sends, receives or both: a stage's antennas, the bodies on it, or the rack beside it.

    `radius_m`: how far its devices stray from the position; `outline`: the area in which they are, which then stands in
    place of both. `building`: the name of the building it is in,
    empty outdoors. `distances`: agreed distances to other places, or to itself, by their id; they stand in
    place of the positions and mean that the two see each other. `front`: what stands between the receiving
    antenna and the receivers. `noise_rise_db`: by how much local noise of screens and lighting raises that of the
    receivers. `sending`: what stands between transmitters here and the air.
    """

    id: str
    east_m: float = 0.0
    north_m: float = 0.0
    height_m: float = 1.5
    stands: Stands = "antennas"
    radius_m: float = 0.0
    outline: Outline = ()
    building: str = ""
    construction: Building = "traditional"
    distances: Mapping[str, Distances] = field(default_factory=dict)
    antenna_dbi: float = 0.0
    front: tuple[Stage, ...] = ()
    passband: tuple[tuple[int, int], ...] = ()
    noise_rise_db: float = 0.0
    sending: SendingSystem = OWN_ANTENNAS


def stage(
    name: str,
    east_m: float,
    north_m: float,
    own: Distances,
    rack_m: float = 3.0,
    *,
    body_to_body_m: float = 0.6,
    antenna_height_m: float = 3.0,
    body_height_m: float = 1.5,
    outline: Outline = (),
    building: str = "",
    construction: Building = "traditional",
    antenna_dbi: float = 0.0,
    front: tuple[Stage, ...] = (),
    passband: tuple[tuple[int, int], ...] = (),
) -> tuple[Place, Place, Place]:
    """The three places of a stage: `name/antennas`, `name/bodies` and `name/rack`.

    `own`: from its antennas, and from its rack, to the bodies; `rack_m`: from the antennas to the rack;
    `body_to_body_m`: a transmitter and a receiver on one person; `outline`: the area in which the bodies are.
    """

    def place(stands: Stands, height_m: float, distances: Mapping[str, Distances]) -> Place:
        receiving = stands == "antennas"
        return Place(
            id=f"{name}/{stands}",
            east_m=east_m,
            north_m=north_m,
            height_m=height_m,
            stands=stands,
            radius_m=own.farthest_m if stands == "bodies" else 0.0,
            outline=outline if stands == "bodies" else (),
            building=building,
            construction=construction,
            distances=distances,
            antenna_dbi=antenna_dbi if receiving else 0.0,
            front=front if receiving else (),
            passband=passband if receiving else (),
        )

    bodies = f"{name}/bodies"
    among = Distances(
        body_to_body_m, max(own.usual_m / 2, body_to_body_m), max(own.farthest_m, body_to_body_m)
    )
    beside = Distances(rack_m, rack_m, rack_m)
    return (
        place("antennas", antenna_height_m, {bodies: own, f"{name}/rack": beside}),
        place("bodies", body_height_m, {bodies: among, f"{name}/rack": own}),
        place("rack", antenna_height_m, {}),
    )
