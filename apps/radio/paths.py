"""The path between two places: which model of propagation holds, its loss, and how that came about.

Belongs here: distances, sight, walls, and the losses that somebody set by hand. The models themselves are in
`propagation`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
from numpy.typing import NDArray

from apps.radio import propagation
from apps.radio.outlines import apart_m, point
from apps.radio.places import Distances, Place
from apps.radio.propagation import Building, BuiltUp
from apps.radio.settings import Settings
from apps.radio.units import Decibels


@dataclass(frozen=True)
class Override:
    """A path loss that somebody measured or answers for, in place of the model, either way."""

    places: tuple[str, str]
    loss_db: float
    note: str


@dataclass(frozen=True)
class Loss:
    """A path loss three ways: least (interferer), usual, and greatest planned (wanted), in dB."""

    strong_db: float
    usual_db: float
    weak_db: float

    def __add__(self, other: "Loss") -> "Loss":
        return Loss(
            self.strong_db + other.strong_db, self.usual_db + other.usual_db, self.weak_db + other.weak_db
        )


@dataclass(frozen=True)
class Path:
    """How the loss between two places came about: distances, the model of the strong side, parts by name.

    `outlined`: the distances are those of outlines, nearest edge and farthest corner.
    """

    sender: str
    receiver: str
    distances: Distances
    model: str
    parts: tuple[tuple[str, Loss], ...]
    note: str = ""
    outlined: bool = False

    @cached_property
    def loss(self) -> Loss:
        total = Loss(0.0, 0.0, 0.0)
        for _, part in self.parts:
            total = total + part
        return total

    def words(self) -> str:
        """One sentence for people."""
        d = self.distances.nearest_m
        return (
            f"{self.sender} to {self.receiver}: {d:.3g} m apart at the nearest{' edge' if self.outlined else ''}, "
            f"{self.loss.strong_db:.0f} dB by {self.model}" + (f" ({self.note})" if self.note else "")
        )


def distances_between(a: Place, b: Place, settings: Settings) -> tuple[Distances, bool]:
    """Distances between two places' devices, and whether they are agreed rather than from the positions."""
    agreed = a.distances.get(b.id) or b.distances.get(a.id)
    if agreed is not None:
        return agreed, True
    least = settings.least_m
    if a.id == b.id:
        return Distances(least, max(least, a.radius_m), max(least, 2 * a.radius_m)), True
    if a.outline or b.outline:
        return _between_outlines(a, b, least), False
    apart = math.dist((a.east_m, a.north_m, a.height_m), (b.east_m, b.north_m, b.height_m))
    spread = a.radius_m + b.radius_m
    return Distances(max(least, apart - spread), max(least, apart), max(least, apart + spread)), False


def _between_outlines(a: Place, b: Place, least_m: float) -> Distances:
    """From edge to edge, usually from position to position, and from corner to corner; who has no outline strays by a radius."""
    near, far = apart_m(a.outline or point(a.east_m, a.north_m), b.outline or point(b.east_m, b.north_m))
    stray = sum(place.radius_m for place in (a, b) if not place.outline)
    up = a.height_m - b.height_m
    nearest = max(least_m, math.hypot(max(0.0, near - stray), up))
    farthest = max(nearest, math.hypot(far + stray, up))
    usual = math.dist((a.east_m, a.north_m, a.height_m), (b.east_m, b.north_m, b.height_m))
    return Distances(nearest, min(max(usual, nearest), farthest), farthest)


def path(sender: Place, receiver: Place, low_hz: float, high_hz: float, settings: Settings) -> Path:
    """Loss between two places over a tuning range: the strong side at its low end, the weak at its high end.

    In sight, or low terminals among buildings where the settings say so; in different buildings a wall each.
    """
    distances, agreed = distances_between(sender, receiver, settings)
    ground = Ground.between(sender, [receiver], low_hz, high_hz, settings)
    parts = [("path", Loss(*ground.loss_db[:, 0].tolist()))]
    parts += [
        (f"wall of {place.building} (ITU-R P.2109)", Loss(*wall))
        for place, wall in walls(sender, receiver, low_hz, high_hz, settings)
    ]
    outlined = not agreed and bool(sender.outline or receiver.outline)
    return Path(sender.id, receiver.id, distances, ground.model(0), tuple(parts), outlined=outlined)


@dataclass(frozen=True)
class Ground:
    """Losses from one place to several without walls (strong, usual, weak; places), and by which model."""

    loss_db: Decibels
    among_buildings: NDArray[np.bool_]
    free_space: NDArray[np.bool_]

    @classmethod
    def between(
        cls, sender: Place, receivers: Sequence[Place], low_hz: float, high_hz: float, settings: Settings
    ) -> "Ground":
        """Near by free space, so that no interferer is taken louder than that, whatever the model says."""
        found = [distances_between(sender, receiver, settings) for receiver in receivers]
        metres = np.array([(d.nearest_m, d.usual_m, d.farthest_m) for d, _ in found]).T
        heights = np.array([receiver.height_m for receiver in receivers])
        hz = np.array([low_hz, math.sqrt(low_hz * high_hz), high_hz])
        loss = _in_sight_db(hz, metres, sender.height_m, heights)
        hidden = np.zeros(len(receivers), dtype=bool)
        if settings.surroundings != "open":
            low = (heights <= settings.low_terminal_m) & (sender.height_m <= settings.low_terminal_m)
            seen = [
                agreed or _same_building(sender, r) for (_, agreed), r in zip(found, receivers, strict=True)
            ]
            hidden = low & ~np.array(seen, dtype=bool)
            loss = np.where(hidden, _among_buildings_db(hz, metres, settings, settings.surroundings), loss)
        nearest = propagation.free_space_db(low_hz, np.minimum(metres[0], settings.free_space_to_m))
        free = nearest >= loss[0]
        loss[0] = np.maximum(nearest, loss[0])
        return cls(loss, hidden, free)

    def model(self, number: int) -> str:
        """The model behind the strong side."""
        if self.free_space[number]:
            return "free space (ITU-R P.525)"
        if self.among_buildings[number]:
            return "low terminals among buildings (ITU-R P.1411 §4.3)"
        return "line of sight over ground (ITU-R P.1411 §4.1.2)"


def _in_sight_db(hz: Decibels, metres: Decibels, height_m: float, heights_m: Decibels) -> Decibels:
    """Lower bound of P.1411 §4.1.2; usual and weak its median, or free space if that is more (3, n)."""
    lower = propagation.street_line_of_sight_db(hz[0], metres[0], height_m, heights_m, "lower")
    street = propagation.street_line_of_sight_db(hz[1:, None], metres[1:], height_m, heights_m, "median")
    return np.vstack((lower, np.maximum(street, propagation.free_space_db(hz[1:, None], metres[1:]))))


def _among_buildings_db(hz: Decibels, metres: Decibels, settings: Settings, built_up: BuiltUp) -> Decibels:
    """P.1411 §4.3 at the settings' percentiles (3, n)."""
    percents = settings.strong_percent, 50.0, settings.weak_percent
    return np.stack(
        [
            propagation.low_terminals_db(f, d, percent, built_up)
            for f, d, percent in zip(hz, metres, percents, strict=True)
        ]
    )


def _same_building(a: Place, b: Place) -> bool:
    return bool(a.building) and a.building == b.building


def walls(
    sender: Place, receiver: Place, low_hz: float, high_hz: float, settings: Settings
) -> list[tuple[Place, tuple[float, float, float]]]:
    """The wall of each building between two places: P.2109 at the settings' percentiles."""
    if _same_building(sender, receiver):
        return []
    percents = settings.strong_percent, 50.0, settings.weak_percent
    return [
        (place, _entry_db(math.sqrt(low_hz * high_hz), percents, place.construction))
        for place in (sender, receiver)
        if place.building
    ]


@cache
def _entry_db(
    hz: float, percents: tuple[float, float, float], construction: Building
) -> tuple[float, float, float]:
    good, usual, bad = (float(propagation.building_entry_db(hz, p, construction)) for p in percents)
    return good, usual, bad
