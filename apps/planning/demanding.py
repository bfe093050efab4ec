"""What the site demands, as rules of the solver's problem: places with what they hear, separations, limits for products."""

import math
from collections import defaultdict
from collections.abc import Iterable
from itertools import combinations_with_replacement
from typing import Any

from apps.planning.siting import Sited, solver_kind, zone_of
from apps.radio.demands import harmonic_demands
from apps.radio.site import Service
from apps.registry.models import Carrier


def rounded(level_db: float) -> float:
    """A hundredth of a decibel, downward, and never above 0: the loudest carrier somewhere is 0 dB."""
    return min(0.0, math.floor(level_db * 100) / 100)


def places(model: Sited, others: Iterable[str]) -> list[dict[str, Any]]:
    """Where something is sent, by `others` too, and every spot that receives with what it hears, down to the lowest limit."""
    hears: dict[str, dict[str, float]] = {spot.id: {} for spot in model.site.spots}
    for heard in model.demands.heard:
        hears[heard.receiver][heard.sender] = rounded(heard.level_db)
    bands = {spot.id: model.site.places[spot.place].passband for spot in model.site.spots}
    senders = {sender for _, sender in model.site.emissions} | set(others)
    return [
        {
            "id": name,
            "hears": hears.get(name, {}),
            "passband": [{"low_hz": low, "high_hz": high} for low, high in bands.get(name, ())],
        }
        for name in sorted(senders | set(hears))
    ]


def received_in(model: Sited, service: Service) -> list[str]:
    """The spots at which a service's carriers must do."""
    return [spot.id for place in service.received_in for spot in model.site.spots_of(service, place)]


def separations(carriers: list[Carrier], model: Sited) -> list[dict[str, Any]]:
    """What the model demands between kinds in places; within a zone never less than the kinds themselves ask for."""
    rows: list[dict[str, Any]] = []
    for row in model.demands.separations:
        entry = {"zones": list(row.places), "kinds": list(row.kinds), "min_hz": row.min_hz}
        if row.treatment == "penalise":
            entry |= {"treatment": "penalise", "weight": row.weight}
        rows.append(entry)
    rows += [
        {"zones": own["places"], "kinds": own["kinds"], "min_hz": own["min_hz"]}
        for own in spacings(carriers, model)
    ]
    return rows


def spacings(carriers: list[Carrier], model: Sited) -> list[dict[str, Any]]:
    """The wider of two kinds' own spacings wherever both are in one zone: {places, kinds, min_hz}."""
    spacing: dict[str, int] = {}
    there: dict[str, set[str]] = defaultdict(set)
    for carrier in carriers:
        spacing[solver_kind(carrier)] = carrier.role.spacing_hz
        there[carrier.registration.zone.code].add(solver_kind(carrier))
    rows: list[dict[str, Any]] = []
    for zone, kinds in sorted(there.items()):
        for one, other in combinations_with_replacement(sorted(kinds), 2):
            a, b = (model.services[kind, zone].sent_from[0] for kind in (one, other))
            rows.append(
                {"places": [a, b], "kinds": [one, other], "min_hz": max(spacing[one], spacing[other])}
            )
    return rows


def products(model: Sited) -> list[dict[str, Any]]:
    """The model's limits; rows that differ in nothing but their kind are one rule for all of those.

    What a load costs is counted in limits: just over the limit 1, ten decibels over it 10. Where figures are missing and any
    product counts, one at full strength costs 1.
    """
    merged: dict[tuple[Any, ...], tuple[set[str], set[str]]] = {}
    for row in model.demands.products:
        where = tuple(sorted(row.places))
        full_db = row.limit_db if row.reasons[0].computed_db is not None else 0.0
        weight = round(10 ** (-full_db / 10), 6) if row.treatment == "penalise" else 1.0
        key = (row.family, row.guard_hz, row.treatment, weight, row.limit_db, row.made_in, where)
        merged.setdefault(key, (set(), set(where)))[0].add(row.kind)
    return [
        {
            "family": family,
            "guard_hz": guard_hz,
            "treatment": treatment,
            "weight": weight,
            "limit_db": limit_db,
            "made_in": made_in,
            "zones": sorted(where),
            "kinds": sorted(kinds),
        }
        for (family, guard_hz, treatment, weight, limit_db, made_in, _), (kinds, where) in sorted(
            merged.items(), key=repr
        )
    ]


def harmonics(model: Sited, known: Iterable[tuple[Carrier, int]]) -> list[dict[str, Any]]:
    """Bands of the harmonics of strong transmitters, kept clear where something is received in their zone.

    `known`: carriers whose frequency in hertz is settled: brought along and unable to change, or locked before the run. What a
    run itself places has no harmonics yet; the next run keeps clear of them.
    """
    spots: dict[str, list[str]] = defaultdict(list)
    for spot in model.site.spots:
        spots[zone_of(spot.id)].append(spot.id)
    up_to_hz = max((kind.high_hz for kind in model.site.kinds), default=0)
    rows = []
    for carrier, hz in known:
        zone, half_hz = carrier.registration.zone.code, carrier.role.bandwidth_hz // 2
        sender = model.service(carrier).sent_from[0]
        found = harmonic_demands(
            model.site, hz - half_hz, hz + half_hz, up_to_hz, solver_kind(carrier), sender
        )
        rows += [
            {
                "id": f"harmonic {row.harmonic.number} of {carrier.code}",
                "low_hz": row.harmonic.low_hz,
                "high_hz": row.harmonic.high_hz,
                "zones": spots[zone],
            }
            for row in found
            if spots[zone]
        ]
    return rows


def possible_harmonics(model: Sited, zone: str) -> list[tuple[str, int, int, int, tuple[str, ...]]]:
    """(kind, number, from, to, kinds received there) where a strong transmitter of a zone could put a harmonic.

    A warning, no rule: which frequency a run will choose is not known, so to keep the whole band clear would shut out most of
    a tuning for what a single carrier does. Once the frequency is settled, `harmonics` keeps just its own clear.
    """
    received: dict[str, tuple[int, int]] = {}
    for service in model.site.services:
        if any(zone_of(place) == zone for place in service.received_in):
            kind = model.site.kind_of[service.kind]
            received[service.kind] = kind.low_hz, kind.high_hz
    up_to_hz = max((high for _, high in received.values()), default=0)
    found = []
    for name, sender in model.site.emissions:
        if zone_of(sender) != zone:
            continue
        kind = model.site.kind_of[name]
        for row in harmonic_demands(model.site, kind.low_hz, kind.high_hz, up_to_hz, name, sender):
            low, high = row.harmonic.low_hz, row.harmonic.high_hz
            hit = tuple(sorted(k for k, (a, b) in received.items() if a <= high and low <= b))
            if hit:
                found.append((name, row.harmonic.number, low, high, hit))
    return found
