"""What surveys say to the solver: noise at the receivers of their zone, scaled to each kind, the event's own carriers out.

A survey's antenna is taken to hear what the zone's own receiving antennas hear. It sees only what was on the air.
"""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from apps.events.models import Event
from apps.planning.siting import Sited, zone_of
from apps.radio.surveys import Trace, at_receiver, together, under
from apps.spectrum.models import Survey
from apps.spectrum.queries import counting_surveys
from apps.spectrum.reading import opened

NOISE_WEIGHT = 0.1  # of a wish, for each dB over the reference; common practice, no source


@dataclass(frozen=True)
class Heard:
    """A survey with what it measured: the trace as it came, and as it would be under the event's own carriers."""

    survey: Survey
    trace: Trace
    rest: Trace
    floor_dbm: float
    resolution_hz: int

    @classmethod
    def of(cls, survey: Survey, trace: Trace) -> "Heard":
        resolution = survey.resolution_hz or trace.step_hz
        own = [(row["frequency_hz"], row["bandwidth_hz"]) for row in survey.own]
        floor = survey.floor_dbm
        assert floor is not None
        return cls(survey, trace, under(trace, own, resolution), floor, resolution)


def heard_by_zone(event: Event) -> dict[str, list[Heard]]:
    """{zone: its surveys that count}, in the order of their numbers."""
    found: dict[str, list[Heard]] = defaultdict(list)
    for survey in counting_surveys(event):
        found[survey.zone.code].append(Heard.of(survey, opened(survey, bytes(survey.trace.content))))
    return dict(found)


def noise_rows(event: Event, model: Sited, problem: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The noise rows of a problem, read off its own carriers: one per zone with surveys and kind received there.

    A kind suffers from 6 dB under its own receiver's noise (I/N of Radio Regulations No. 5.225A), as with separations.
    Nothing that its survey does not carry over its instrument's floor is in a row.
    """
    heard = heard_by_zone(event)
    if not heard:
        return []
    kinds = set(model.site.kind_of)
    rows = []
    for (zone, kind), received in sorted(_received(problem, kinds, set(heard)).items()):
        receiver = model.services[kind, zone].received_in[0]
        noise = model.site.chain(receiver, kind).noise_dbm(max(1, received.bandwidth_hz))
        reference = noise + model.site.settings.i_over_n_db
        row = _row(heard[zone], received, round(reference, 1))
        if row is not None:
            rows.append({"zones": sorted(received.places), "kinds": [kind], "weight": NOISE_WEIGHT, **row})
    return rows


@dataclass
class _Received:
    """Where in a zone a kind is received, over which range, how wide."""

    places: set[str]
    low_hz: int
    high_hz: int
    bandwidth_hz: int


def _received(
    problem: Mapping[str, Any], kinds: set[str], zones: set[str]
) -> dict[tuple[str, str], _Received]:
    found: dict[tuple[str, str], _Received] = {}
    for row in problem["carriers"]:
        if row["kind"] not in kinds or not row["tuning"]:
            continue
        low = min(part["low_hz"] for part in row["tuning"])
        high = max(part["high_hz"] for part in row["tuning"])
        width = row.get("bandwidth_hz", 0)
        for place in row.get("received_in") or [row["zone"]]:
            if zone_of(place) not in zones:
                continue
            one = found.setdefault((zone_of(place), row["kind"]), _Received(set(), low, high, width))
            one.places.add(place)
            one.low_hz, one.high_hz = min(one.low_hz, low), max(one.high_hz, high)
    return found


def _row(surveys: list[Heard], received: _Received, reference_dbm: float) -> dict[str, Any] | None:
    """The levels of a row over the range that the kind tunes; None where nothing there exceeds the reference."""
    width = max(1, received.bandwidth_hz)
    low, high = received.low_hz - width // 2, received.high_hz + width // 2
    laid = [
        at_receiver(one.rest, one.floor_dbm, one.resolution_hz, width)
        for one in surveys
        if one.trace.low_hz <= high and low <= one.trace.high_hz
    ]
    if not laid:
        return None
    highest, _ = together(laid)
    first = max(0, -(-(low - highest.low_hz) // highest.step_hz))
    last = min(len(highest.level_dbm) - 1, (high - highest.low_hz) // highest.step_hz)
    levels = highest.level_dbm[first : last + 1]
    with np.errstate(invalid="ignore"):
        over = np.flatnonzero(levels > reference_dbm)
    if not len(over):
        return None
    kept = np.fmax(levels[over[0] : over[-1] + 1], reference_dbm)
    return {
        "low_hz": int(highest.low_hz + (first + over[0]) * highest.step_hz),
        "step_hz": int(highest.step_hz),
        "level_dbm": [round(float(level), 1) for level in kept],
        "reference_dbm": reference_dbm,
    }
