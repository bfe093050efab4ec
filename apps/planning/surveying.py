"""Surveys beside the plan: which of the event's own carriers were on, what was expected, what nobody can explain.

A survey sees only what is on the air at that moment, so every comparison names the carriers that were on during it.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from apps.common.errors import Conflict, require
from apps.events.actors import Actor
from apps.events.models import Event, Zone
from apps.events.rules import refusal_to_coordinate
from apps.planning.listening import Heard, heard_by_zone
from apps.planning.models import Assignment
from apps.planning.snapshot import zones_in_earshot
from apps.planning.states import AGREED
from apps.radio.surveys import (
    SKIRT_WIDTHS,
    Stretch,
    Trace,
    scaled,
    standing_out,
    stretches,
    together,
    without,
)
from apps.registry.models import Carrier
from apps.spectrum import surveys
from apps.spectrum.models import Occupied, Outsider, Survey

AS_PLANNED, NONE_ON = "plan", "none"
JOIN_HZ = 200_000  # what is nearer to each other is suggested as one range; common practice, no source
ROUND_HZ = 25_000  # suggested ranges are widened to whole steps of it
OVER_DB = 10.0  # over the floor, where nobody says otherwise
MOST_ROWS = 100


def own_carriers(event: Event, at: datetime) -> list[dict[str, Any]]:
    """The event's carriers that are on at a moment by their hours and have an agreed frequency. Spares are off.

    What is on all day is on during the days of the event.
    """
    found = (
        Assignment.objects.filter(
            event=event, state__in=AGREED, carrier__withdrawn=False, carrier__spare_of=None
        )
        .select_related("carrier__role", "carrier__registration__zone")
        .order_by("carrier__code")
    )
    return [_own(row) for row in found if _on(event, row.carrier, at)]


def _on(event: Event, carrier: Carrier, at: datetime) -> bool:
    registration = carrier.registration
    if registration.all_day:
        return event.starts_on <= at.astimezone(ZoneInfo(event.timezone)).date() <= event.ends_on
    return any(start <= at <= end for start, end in registration.hours)


def _own(row: Assignment) -> dict[str, Any]:
    return {
        "carrier": row.carrier.code,
        "zone": row.carrier.registration.zone.code,
        "frequency_hz": row.frequency_hz,
        "bandwidth_hz": row.carrier.role.bandwidth_hz,
    }


def on_air(event: Event, at: datetime, which: str) -> dict[str, Any]:
    """What a survey's row says of the event's own carriers: `which` is as planned, or none."""
    if which == NONE_ON:
        return {"own": [], "own_words": "none of ours was on, as told"}
    own = own_carriers(event, at)
    words = f"{len(own)} of ours, agreed in the plan and on at that moment"
    return {
        "own": own,
        "own_words": words if own else "none of ours is agreed in the plan and on at that moment",
    }


def keep_survey(*, actor: Actor, which: str = AS_PLANNED, taken_at: datetime, **said: Any) -> Survey:
    """Keep a survey with those of the event's own carriers that were on during it. See spectrum.surveys.keep_survey."""
    own = on_air(actor.event, taken_at, which)
    return surveys.keep_survey(actor=actor, taken_at=taken_at, **said, **own)


def change_survey(
    *, actor: Actor, survey: Survey, version: int | None = None, which: str = "", **said: Any
) -> Survey:
    """Say something else of a survey; `which` (as planned, none, or empty: as recorded) of the carriers that were on."""
    if which:
        said |= on_air(actor.event, said.get("taken_at", survey.taken_at), which)
    return surveys.change_survey(actor=actor, survey=survey, version=version, **said)


# -- against the plan -----------------------------------------------------------------------


@dataclass(frozen=True)
class Expected:
    """A carrier that should show in a survey: one of ours that was on, or an outsider. `peak_dbm` None: out of range."""

    code: str
    zone: str
    frequency_hz: int
    outsider: bool
    peak_dbm: float | None
    seen: bool

    @property
    def state(self) -> str:
        if self.peak_dbm is None:
            return "outside the survey"
        return "seen" if self.seen else "missing"


@dataclass(frozen=True)
class Unexplained:
    """Something over the floor that nothing on record explains; `near`: planned carriers there that were not on."""

    stretch: Stretch
    near: tuple[str, ...]


@dataclass(frozen=True)
class Comparison:
    """A survey against the plan: who was expected at its zone and seen or missing, and what was seen and unexplained."""

    expected: tuple[Expected, ...]
    unexplained: tuple[Unexplained, ...]
    unexplained_count: int

    @property
    def seen(self) -> list[Expected]:
        return [row for row in self.expected if row.state == "seen"]

    @property
    def missing(self) -> list[Expected]:
        return [row for row in self.expected if row.state == "missing"]

    @property
    def outside(self) -> list[Expected]:
        return [row for row in self.expected if row.peak_dbm is None]


def compared(event: Event, heard: Heard) -> Comparison:
    """Hold a survey against what was on the air in earshot of its zone. A constant number of queries."""
    near = zones_in_earshot(event).get(heard.survey.zone.code, set())
    outsiders = [
        row for row in event.outsiders.select_related("zone") if _on_then(row, heard.survey.taken_at)
    ]
    standing = standing_out(heard.trace, heard.floor_dbm)
    ours = [
        _expected(standing, heard, row["carrier"], row["zone"], row["frequency_hz"], row["bandwidth_hz"])
        for row in heard.survey.own
        if row["zone"] in near
    ]
    others = [
        _expected(standing, heard, row.code, row.zone.code, row.frequency_hz, row.bandwidth_hz, outsider=True)
        for row in outsiders
        if row.zone.code in near
    ]
    taken = [
        row
        for row in event.occupied.all()
        if _on_then(row, heard.survey.taken_at) and _anywhere_in(row, near)
    ]
    found = stretches(_unknown(heard, outsiders, taken), heard.floor_dbm, _join_hz(heard))
    loudest = sorted(found, key=lambda row: -row.peak_dbm)[:MOST_ROWS]
    planned = list(
        Assignment.objects.filter(event=event, carrier__withdrawn=False)
        .values_list("carrier__code", "frequency_hz", "carrier__role__bandwidth_hz")
        .order_by("carrier__code")
    )
    return Comparison(
        tuple(sorted(ours + others, key=lambda row: row.frequency_hz)),
        tuple(Unexplained(row, _planned_at(row, planned)) for row in loudest),
        len(found),
    )


def _anywhere_in(row: Occupied, zones: Collection[str]) -> bool:
    return not row.zones or any(zone in zones for zone in row.zones)


def _on_then(row: Outsider | Occupied, at: datetime) -> bool:
    return row.starts_at is None or row.ends_at is None or row.starts_at <= at <= row.ends_at


def _expected(
    standing: Trace, heard: Heard, code: str, zone: str, hz: int, width_hz: int, outsider: bool = False
) -> Expected:
    half = width_hz / 2
    levels = heard.trace.between(hz - half, hz + half)
    if not len(levels) or np.isnan(levels).all():
        return Expected(code, zone, hz, outsider, None, False)
    seen = bool((~np.isnan(standing.between(hz - half, hz + half))).any())
    return Expected(code, zone, hz, outsider, float(np.nanmax(levels)), seen)


def _unknown(heard: Heard, outsiders: Sequence[Outsider], taken: Iterable[Occupied]) -> Trace:
    """What stands out and is neither ours, nor an outsider's, nor in a taken range."""
    known = [(row.frequency_hz, row.bandwidth_hz) for row in outsiders]
    known += [((row.low_hz + row.high_hz) // 2, row.high_hz - row.low_hz) for row in taken]
    # Standing out is judged before anything is taken away: the grass around a carrier is not to look like one.
    standing = standing_out(heard.trace, heard.floor_dbm)
    own = [(row["frequency_hz"], row["bandwidth_hz"]) for row in heard.survey.own]
    return without(standing, own + known, heard.resolution_hz)


def _join_hz(heard: Heard) -> int:
    return int(max(2 * SKIRT_WIDTHS * heard.resolution_hz, 2 * heard.trace.step_hz))


def _planned_at(row: Stretch, planned: Sequence[tuple[str, int, int]]) -> tuple[str, ...]:
    return tuple(
        code for code, hz, width in planned if hz - width / 2 <= row.high_hz and row.low_hz <= hz + width / 2
    )[:5]


@dataclass(frozen=True)
class Peak:
    """One of the highest points of a survey, and what is on record there."""

    stretch: Stretch
    known_as: tuple[str, ...]


def peaks(event: Event, heard: Heard, most: int = 25) -> list[Peak]:
    """The highest stretches that stand out of a survey, in order of frequency, with what is on record there."""
    standing = standing_out(heard.trace, heard.floor_dbm)
    rows = stretches(standing, heard.floor_dbm, _join_hz(heard))
    loudest = sorted(sorted(rows, key=lambda row: -row.peak_dbm)[:most])
    carriers = [(row["carrier"], row["frequency_hz"], row["bandwidth_hz"]) for row in heard.survey.own]
    carriers += [
        (f"{row.code}, {row.label}", row.frequency_hz, row.bandwidth_hz) for row in event.outsiders.all()
    ]
    known = [(name, hz - width / 2, hz + width / 2) for name, hz, width in carriers]
    known += [(row.label, row.low_hz, row.high_hz) for row in event.occupied.all()]
    return [
        Peak(row, tuple(name for name, low, high in known if low <= row.high_hz and row.low_hz <= high)[:4])
        for row in loudest
    ]


# -- several surveys of a zone --------------------------------------------------------------


@dataclass(frozen=True)
class Together:
    """The surveys of one zone that count: highest-hold and median, as noise in the widest of their bandwidths.

    `rest`: the highest-hold of what stands out, without the event's own carriers.
    """

    heard: tuple[Heard, ...]
    resolution_hz: int
    floor_dbm: float
    highest: Trace
    median: Trace
    rest: Trace

    @property
    def mixed(self) -> bool:
        """Whether their bandwidths differ, so that levels had to be scaled."""
        return len({one.resolution_hz for one in self.heard}) > 1


def of_zone(heard: Sequence[Heard]) -> Together | None:
    """Lay the surveys of a zone together; None where there is none."""
    if not heard:
        return None
    resolution = max(one.resolution_hz for one in heard)
    laid = [scaled(one.trace, one.resolution_hz, resolution) for one in heard]
    floors = [one.floor_dbm + 10 * float(np.log10(resolution / one.resolution_hz)) for one in heard]
    highest, median = together(laid)
    rest = []
    for one, trace, floor in zip(heard, laid, floors, strict=True):
        own = [(row["frequency_hz"], row["bandwidth_hz"]) for row in one.survey.own]
        rest.append(without(standing_out(trace, floor), own, one.resolution_hz))
    return Together(tuple(heard), resolution, round(max(floors), 1), highest, median, together(rest)[0])


def threshold_of(found: Together, typed: float | None) -> float:
    """The threshold in dBm that somebody typed, 10 dB over the floor where nobody did."""
    return round(found.floor_dbm + OVER_DB, 1) if typed is None else typed


@dataclass(frozen=True)
class Suggestion:
    """A range that surveys suggest to keep free of ours; `taken`: the range that holds it already, if one does."""

    low_hz: int
    high_hz: int
    peak_hz: int
    peak_dbm: float
    taken: str

    @property
    def key(self) -> str:
        return f"{self.low_hz}-{self.high_hz}"

    @property
    def width_hz(self) -> int:
        return self.high_hz - self.low_hz


def suggestions(event: Event, found: Together, threshold_dbm: float) -> list[Suggestion]:
    """Stretches over a threshold, the event's own carriers taken out, widened to whole steps, in order of frequency."""
    here = {one.survey.zone.code for one in found.heard}
    taken = [row for row in event.occupied.order_by("low_hz") if _anywhere_in(row, here)]
    rows = []
    for row in stretches(found.rest, threshold_dbm, JOIN_HZ):
        low, high = row.low_hz // ROUND_HZ * ROUND_HZ, -(-row.high_hz // ROUND_HZ) * ROUND_HZ
        inside = next(
            (one.label for one in taken if one.low_hz <= row.low_hz and row.high_hz <= one.high_hz), ""
        )
        rows.append(Suggestion(max(1, low), high, row.peak_hz, row.peak_dbm, inside))
    return rows


def accept(*, actor: Actor, zone: Zone, keys: Sequence[str], threshold_dbm: float) -> list[Occupied]:
    """Mark suggested ranges as taken, named by what the surveys of the zone say now.

    Raises Conflict for one that is not suggested any more.
    """
    require(refusal_to_coordinate(actor))
    found = of_zone(heard_by_zone(actor.event).get(zone.code, []))
    rows = suggestions(actor.event, found, threshold_dbm) if found else []
    known = {row.key: row for row in rows if not row.taken}
    gone = [key for key in keys if key not in known]
    if gone:
        raise Conflict(
            "The suggestions changed since you looked. Look at them again, then repeat your choice."
        )
    assert found is not None or not keys
    numbers = ", ".join(str(one.survey.number) for one in found.heard) if found else ""
    return surveys.accept_suggestions(
        actor=actor,
        ranges=[(known[key].low_hz, known[key].high_hz) for key in keys],
        source=f"survey {numbers} at {zone.name}, over {threshold_dbm:g} dBm",
    )
