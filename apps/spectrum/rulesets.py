"""What the law permits where: rulesets as data under fixtures/rulesets/, one file each, with source, edition and date.

The service never says "licensed". It says which licence to hold and who decides.
"""

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final

from django.conf import settings

from apps.radio.chains import Basis, SendingChain, room_under_limit_db

EIRP_OVER_ERP = 1.64  # a half-wave dipole's gain over an isotropic antenna, 2.15 dB
BASES: Final = {"erp": "e.r.p.", "eirp": "e.i.r.p.", "conducted": "conducted"}
ROUNDED_DB: Final = 0.02  # what milliwatts lose in being written as whole numbers


def _told_by(source: str, status: str) -> str:
    """A row's source; what was written down from memory says so wherever it is told."""
    return f"{source}; from memory, confirm it" if status == "memory" else source


@dataclass(frozen=True)
class Permitted:
    """A range that a ruleset opens to some uses, with its power limit in milliwatts on its basis."""

    low_hz: int
    high_hz: int
    uses: frozenset[str]
    power_mw: float | None
    basis: Basis
    licence: str
    source: str
    status: str
    words: str

    @property
    def told_by(self) -> str:
        return _told_by(self.source, self.status)

    def serves(self, use: str) -> bool:
        return use in self.uses or "any" in self.uses

    @property
    def used_by(self) -> str:
        return ", ".join(sorted(use.replace("_", " ") for use in self.uses))

    @property
    def basis_in_words(self) -> str:
        return BASES[self.basis]

    @property
    def eirp_limit_mw(self) -> float | None:
        """The limit as equivalent isotropically radiated power, by which limits are compared; a conducted one at 0 dBi."""
        if self.power_mw is None:
            return None
        return self.power_mw * EIRP_OVER_ERP if self.basis == "erp" else self.power_mw


@dataclass(frozen=True)
class Reserved:
    """A range in which a ruleset lets nobody here transmit."""

    low_hz: int
    high_hz: int
    why: str
    source: str
    status: str
    never_use: bool
    words: str

    @property
    def told_by(self) -> str:
        return _told_by(self.source, self.status)


@dataclass(frozen=True)
class Ruleset:
    key: str
    name: str
    source: str
    edition: str
    date: str
    status: str
    television_rasters: tuple[str, ...]
    cautions: tuple[str, ...]
    ranges: tuple[Permitted, ...]
    reserved: tuple[Reserved, ...]


@dataclass(frozen=True)
class Stretch:
    """Centre frequencies from low to high that a use may take, and the range that permits them."""

    low_hz: int
    high_hz: int
    by: Permitted


def folder() -> Path:
    return Path(settings.BASE_DIR) / "fixtures" / "rulesets"


@cache
def keys() -> tuple[str, ...]:
    return tuple(sorted(path.stem for path in folder().glob("*.json")))


@cache
def ruleset(key: str) -> Ruleset:
    """The ruleset of that key. Raises KeyError when there is none."""
    if key not in keys():
        raise KeyError(f"no ruleset {key!r}; there are {', '.join(keys())}")
    return read(json.loads((folder() / f"{key}.json").read_text(encoding="utf-8")))


def read(document: dict[str, Any]) -> Ruleset:
    raster = document.get("television_raster", ())
    return Ruleset(
        key=document["key"],
        name=document["name"],
        source=document["source"],
        edition=document["edition"],
        date=document["date"],
        status=document["status"],
        television_rasters=(raster,) if isinstance(raster, str) else tuple(raster),
        cautions=tuple(document["cautions"]),
        ranges=tuple(_permitted(row) for row in document["ranges"]),
        reserved=tuple(Reserved(**row) for row in document["reserved"]),
    )


def _permitted(row: dict[str, Any]) -> Permitted:
    uses = row["use"]
    rest = {name: value for name, value in row.items() if name != "use"}
    return Permitted(uses=frozenset([uses] if isinstance(uses, str) else uses), **rest)


def permitted_stretches(
    rules: Ruleset,
    use: str,
    low_hz: int,
    high_hz: int,
    bandwidth_hz: int,
    sent: SendingChain | None = None,
) -> list[Stretch]:
    """The centre frequencies between low and high that the ruleset opens to a use.

    The whole occupied band must lie inside a permitted range and outside every reserved one; with `sent`, only ranges
    whose limit allows that on its own basis (e.r.p., e.i.r.p. or conducted) count. Stretches are in order and do not
    overlap; where several ranges permit a frequency, the one with the highest limit is named.
    """
    half_hz = (bandwidth_hz + 1) // 2
    by_limit = sorted(
        (row for row in rules.ranges if row.serves(use) and _allows(row, sent)),
        key=lambda row: row.eirp_limit_mw if row.eirp_limit_mw is not None else float("inf"),
        reverse=True,
    )
    taken: list[Stretch] = []
    for row in by_limit:
        free = [(max(low_hz, row.low_hz + half_hz), min(high_hz, row.high_hz - half_hz))]
        for away in rules.reserved:
            free = _without(free, away.low_hz - half_hz + 1, away.high_hz + half_hz - 1)
        for other in taken:
            free = _without(free, other.low_hz, other.high_hz)
        taken += [Stretch(low, high, row) for low, high in free if low <= high]
    return sorted(taken, key=lambda stretch: stretch.low_hz)


def outside_never_use(rules: Ruleset, low_hz: int, high_hz: int, bandwidth_hz: int) -> list[tuple[int, int]]:
    """The centre frequencies of a carrier whose whole band lies between low and high and in no range that nobody may ever
    use (distress, safety, navigation, passive): what no permission of an event opens."""
    half_hz = (bandwidth_hz + 1) // 2
    free = [(low_hz + half_hz, high_hz - half_hz)]
    for away in rules.reserved:
        if away.never_use:
            free = _without(free, away.low_hz - half_hz + 1, away.high_hz + half_hz - 1)
    return [(low, high) for low, high in free if low <= high]


def _allows(row: Permitted, sent: SendingChain | None) -> bool:
    if sent is None or row.power_mw is None:
        return True
    return room_under_limit_db(sent, row.power_mw, row.basis) >= -ROUNDED_DB


def _without(stretches: list[tuple[int, int]], low_hz: int, high_hz: int) -> list[tuple[int, int]]:
    """What remains of whole-hertz stretches (both ends included) without [low_hz, high_hz]."""
    left = []
    for low, high in stretches:
        if high < low_hz or low > high_hz:
            left.append((low, high))
            continue
        left += [(low, low_hz - 1)] if low < low_hz else []
        left += [(high_hz + 1, high)] if high > high_hz else []
    return left


def refusing_words(rules: Ruleset, use: str, low_hz: int, high_hz: int) -> str:
    """Why nothing between low and high is open to a use: the rule's own words and their source."""
    for away in rules.reserved:
        if away.low_hz <= high_hz and low_hz <= away.high_hz:
            return f"{away.words or away.why} ({away.told_by})"
    nearest = [row for row in rules.ranges if row.low_hz <= high_hz and low_hz <= row.high_hz]
    if nearest:
        row = nearest[0]
        limit = f", at most {row.power_mw:g} mW {row.basis}" if row.power_mw is not None else ""
        return f"{row.words or 'Open to ' + ', '.join(sorted(row.uses))}{limit} ({row.told_by})"
    return f"{rules.name} opens no range there to this use ({rules.source}, {rules.edition})"
