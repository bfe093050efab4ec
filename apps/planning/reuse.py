"""Frequencies that far zones share: which, by whom, how far apart, and the figure that lets them."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from apps.events.models import Event
from apps.planning.margins import Margin, OnAir, standing_margins
from apps.radio.demands import SeparationReason, separation
from apps.radio.site import Service, Site
from apps.registry.models import Carrier


@dataclass(frozen=True)
class Worst:
    """The worse of the two directions between two carriers: how far the one stays under what does the other no harm."""

    under_db: float
    why: SeparationReason


@dataclass(frozen=True)
class Reuse:
    """Two carriers of different zones that lie on each other while both are on the air.

    `worst` is None where neither's receivers let the other in at all. `margins`: what each has left over in the whole plan.
    """

    one: Carrier
    other: Carrier
    hz: int
    other_hz: int
    worst: Worst | None
    margins: tuple[Margin | None, Margin | None]

    @property
    def zones(self) -> frozenset[str]:
        return frozenset((self.one.registration.zone.code, self.other.registration.zone.code))

    def facing(self, zone: str) -> "Reuse":
        """The same, its first carrier the one of this zone."""
        if self.one.registration.zone.code == zone:
            return self
        return Reuse(
            self.other, self.one, self.other_hz, self.hz, self.worst, (self.margins[1], self.margins[0])
        )


def reuse(event: Event) -> list[Reuse]:
    """All such pairs of the plan as it stands, by frequency. Constant in queries; margins are kept by the event's revision."""
    air = OnAir.of(event)
    if air is None:
        return []
    margins = standing_margins(event)
    worst: dict[tuple[int, int, int], Worst | None] = {}
    found = []
    for one, other in _overlapping(air):
        apart = abs(int(air.plan.hz[one] - air.plan.hz[other]))
        key = int(air.plan.service[one]), int(air.plan.service[other]), apart
        if key not in worst:
            worst[key] = _worst(air.model.site, *key)
        a, b = air.carriers[one], air.carriers[other]
        found.append(
            Reuse(
                a,
                b,
                int(air.plan.hz[one]),
                int(air.plan.hz[other]),
                worst[key],
                (margins.get(a.code), margins.get(b.code)),
            )
        )
    return sorted(found, key=lambda row: (row.hz, row.one.code, row.other.code))


def by_zones(rows: Iterable[Reuse]) -> dict[frozenset[str], list[Reuse]]:
    """Those of each two zones."""
    found: dict[frozenset[str], list[Reuse]] = defaultdict(list)
    for row in rows:
        found[row.zones].append(row)
    return found


def _overlapping(air: OnAir) -> Iterable[tuple[int, int]]:
    """Indices of carriers of different zones whose widths overlap, in rising order of frequency, on at the same time."""
    plan = air.plan
    width = np.array([carrier.role.bandwidth_hz for carrier in air.carriers])
    zone = np.array([carrier.registration.zone_id for carrier in air.carriers])
    order = np.argsort(plan.hz, kind="stable")
    hz = plan.hz[order]
    # Nothing as far above as the widest is wide can overlap.
    last = np.searchsorted(hz, hz + width.max(), side="left")
    many = np.maximum(last - np.arange(hz.size) - 1, 0)
    low = np.repeat(np.arange(hz.size), many)
    high = low + 1 + np.arange(low.size) - np.repeat(np.cumsum(many) - many, many)
    one, other = order[low], order[high]
    kept = 2 * (plan.hz[other] - plan.hz[one]) < width[one] + width[other]
    kept &= zone[one] != zone[other]
    one, other = one[kept], other[kept]
    together = (plan.on[one] & plan.on[other]).any(axis=1)
    return zip(one[together].tolist(), other[together].tolist(), strict=True)


def _worst(site: Site, one: int, other: int, apart_hz: int) -> Worst | None:
    a, b = site.services[one], site.services[other]
    found = [*_reaching(site, a, b, apart_hz), *_reaching(site, b, a, apart_hz)]
    return min(found, key=lambda row: row.under_db, default=None)


def _reaching(site: Site, interferer: Service, victim: Service, apart_hz: int) -> Iterable[Worst]:
    rejected = float(site.rejection(interferer.kind, victim.kind).at(apart_hz))
    for receiver in victim.received_in:
        if site.lets_in(receiver, interferer.kind):
            for sender in interferer.sent_from:
                why = separation(site, interferer.kind, sender, victim, receiver)
                yield Worst(rejected - why.needed_db, why)
