"""What a site demands of a plan: who hears whom at which level, smallest separations, limits for products.

Belongs here: the figures that a solver is given, each with the record of how it came about, so that a page
can say it in a sentence. Nothing here knows frequencies of a plan.
"""

import math
from collections import defaultdict
from dataclasses import dataclass, replace
from typing import Final

from apps.radio.kinds import Kind
from apps.radio.paths import Path
from apps.radio.products import (
    ANY_PRODUCT_DB,
    FAMILIES,
    Harmonic,
    MadeIn,
    Victim,
    harmonics,
    order,
    receiver_limit_db,
    transmitter_limit_db,
)
from apps.radio.selectivity import overload_db
from apps.radio.settings import Treatment
from apps.radio.site import Service, Site, Spot


@dataclass(frozen=True)
class Heard:
    """A sending place as a receiving place hears it. `level_db` 0: the strongest carrier heard there.

    Levels are those of several carriers heard at once, as products need them.
    """

    receiver: str
    sender: str
    level_db: float
    level_dbm: float
    kind: str
    path: Path


@dataclass(frozen=True)
class CarrierLevel:
    """What to add to the `Heard` figures of a service's places for its own carriers: 0 dB or less."""

    service: Service
    level_db: float


@dataclass(frozen=True)
class SeparationReason:
    """One interferer at one victim's receivers, at their worst, and the offset that it takes.

    `threshold_dbm` does no harm within the victim's filter. `short_db`: what is missing even far apart.
    `overload_db` > 0: past the receiver's compression, whatever the offset; None without an intercept point.
    The path loss behind it: `Site.path(sender, receiver, kind)`.
    """

    kind: str
    victim: Service
    sender: str
    receiver: str
    interferer_dbm: float
    wanted_dbm: float
    noise_dbm: float
    threshold_dbm: float
    needed_db: float
    min_hz: int
    short_db: float
    overload_db: float | None

    def words(self) -> str:
        """One sentence for people."""
        start = (
            f"{self.kind} from {self.sender} reaches {self.victim.kind} in {self.receiver} at "
            f"{self.interferer_dbm:.0f} dBm, where {self.threshold_dbm:.0f} dBm does no harm"
        )
        if self.needed_db <= 0:
            return f"{start}: they may share a frequency"
        tail = f"; even far apart {self.short_db:.0f} dB are missing" if self.short_db > 0 else ""
        overloads = self.overload_db is not None and self.overload_db > 0
        hard = ", and the receiver overloads: move them apart" if overloads else ""
        return f"{start}: {self.needed_db:.0f} dB of rejection needed{tail}{hard}"


@dataclass(frozen=True)
class SeparationDemand:
    """`places[0]` goes with `kinds[0]`. Pairs that need none are left out; ask `separation` why."""

    places: tuple[str, str]
    kinds: tuple[str, str]
    min_hz: int
    treatment: Treatment
    weight: float
    reason: SeparationReason
    note: str = ""


@dataclass(frozen=True)
class LimitReason:
    """Where a limit for products came from, at one place; None where the kind's figures are missing."""

    place: str
    victim: Victim
    intercept_dbm: float | None
    computed_db: float | None


@dataclass(frozen=True)
class ProductDemand:
    """A limit for the products of one family near one kind's carriers in some places."""

    family: str
    guard_hz: int
    treatment: Treatment
    limit_db: float
    made_in: MadeIn
    places: tuple[str, ...]
    kind: str
    reasons: tuple[LimitReason, ...]


@dataclass(frozen=True)
class Demands:
    """Everything that a site demands of a plan."""

    heard: tuple[Heard, ...]
    levels: tuple[CarrierLevel, ...]
    separations: tuple[SeparationDemand, ...]
    products: tuple[ProductDemand, ...]


def demands(site: Site) -> Demands:
    """All figures of a site, in a stable order."""
    strongest = {spot: _levels_at(site, spot)[-1][0] for spot in site.spots}
    limits = tuple(_product_demands(site, strongest))
    return Demands(
        heard=tuple(_heard(site, strongest, limits)),
        levels=tuple(_carrier_levels(site)),
        separations=tuple(_separations(site)),
        products=limits,
    )


# ------------------------------------------------------------------------------------------ who hears whom


def _levels_at(site: Site, spot: Spot) -> list[tuple[float, str, str]]:
    """(level in dBm, sending place, kind) of everything that receivers at a spot let in, strongest last."""
    return sorted(
        (level, sender, kind)
        for level, (kind, sender) in zip(site.heard_at_dbm(spot).tolist(), site.emissions, strict=True)
        if site.lets_in(site.places[spot.place].id, kind)
    )


def _heard(site: Site, strongest: dict[Spot, float], limits: tuple[ProductDemand, ...]) -> list[Heard]:
    """Every sending place down to the lowest limit of the spot that hears it."""
    lowest: dict[str, float] = defaultdict(lambda: ANY_PRODUCT_DB)
    for limit in limits:
        for place in limit.places:
            lowest[place] = min(lowest[place], limit.limit_db)
    rows = []
    for spot, zero_dbm in strongest.items():
        best = {sender: (level, kind) for level, sender, kind in _levels_at(site, spot)}
        for sender, (level_dbm, kind) in sorted(best.items()):
            if level_dbm - zero_dbm >= lowest[spot.id]:
                where = site.path(sender, site.places[spot.place].id, kind)
                rows.append(Heard(spot.id, sender, level_dbm - zero_dbm, level_dbm, kind, where))
    return rows


def _carrier_levels(site: Site) -> list[CarrierLevel]:
    """Each service against the strongest kind sent from its places, where it comes nearest to it."""
    below: dict[tuple[str, str], float] = defaultdict(lambda: -math.inf)
    for spot in site.spots:
        at = _levels_at(site, spot)
        strongest = {sender: level for level, sender, _ in at}
        for level, sender, kind in at:
            below[kind, sender] = max(below[kind, sender], level - strongest[sender])
    return [
        CarrierLevel(service, level if math.isfinite(level) else 0.0)
        for service in site.services
        for level in [max(below[service.kind, sender] for sender in service.sent_from)]
    ]


# --------------------------------------------------------------------------------------------- separations


def _separations(site: Site) -> list[SeparationDemand]:
    """For each two (place, kind) the largest separation that any victim among them needs, then the wishes."""
    worst: dict[tuple[tuple[str, str], tuple[str, str]], SeparationReason] = {}
    for victim in dict.fromkeys(site.services):
        for receiver in victim.received_in:
            for kind, sender in _disturbing(site, victim, receiver):
                reason = separation(site, kind, sender, victim, receiver)
                ends = (sender, kind), (receiver, victim.kind)
                key = min(ends), max(ends)
                held = worst.get(key)
                if held is None or (reason.min_hz, reason.needed_db) > (held.min_hz, held.needed_db):
                    worst[key] = reason
    rows = []
    for ((place_1, kind_1), (place_2, kind_2)), reason in sorted(worst.items(), key=lambda row: row[0]):
        places, kinds = (place_1, place_2), (kind_1, kind_2)
        if reason.min_hz > 0:
            rows.append(SeparationDemand(places, kinds, reason.min_hz, "forbid", 0.0, reason))
        uses = sorted((site.kind_of[kind_1].use, site.kind_of[kind_2].use))
        for wish in site.settings.wishes:
            if sorted(wish.uses) == uses and reason.needed_db >= wish.from_db and wish.min_hz > reason.min_hz:
                rows.append(
                    SeparationDemand(places, kinds, wish.min_hz, "penalise", wish.weight, reason, wish.note)
                )
    return rows


def _disturbing(site: Site, victim: Service, receiver: str) -> list[tuple[str, str]]:
    """(kind, sending place) of what can reach a victim above its threshold at all."""
    levels = site.emission_levels.strong_dbm[:, site.index_of[receiver]]
    body = site.kind_of[victim.kind].receiver_body
    above = levels - body.least_db > site.reception(victim, receiver).threshold_dbm
    found = [site.emissions[number] for number in above.nonzero()[0]]
    return [(kind, sender) for kind, sender in found if site.lets_in(receiver, kind)]


def separation(site: Site, kind: str, sender: str, victim: Service, receiver: str) -> SeparationReason:
    """How far one kind sent from a place must stay from a victim at one of its receiving places, and why."""
    row, at = site.kind_of[victim.kind], site.reception(victim, receiver)
    level = site.interferer_dbm(kind, sender, victim, receiver)
    overload = None
    if row.iip3_dbm is not None:
        at_most = site.strong_dbm(kind, sender, receiver) - row.receiver_body.least_db
        overload = overload_db(at_most, at.iip3_dbm)
    found = site.rejection(kind, victim.kind).separation(level - at.threshold_dbm)
    return SeparationReason(
        kind=kind,
        victim=victim,
        sender=sender,
        receiver=receiver,
        interferer_dbm=level,
        wanted_dbm=at.faded_dbm,
        noise_dbm=at.noise_dbm,
        threshold_dbm=at.threshold_dbm,
        needed_db=level - at.threshold_dbm,
        min_hz=found.min_hz,
        short_db=found.short_db,
        overload_db=overload,
    )


# ------------------------------------------------------------------------------------------------ products


def _product_demands(site: Site, strongest: dict[Spot, float]) -> list[ProductDemand]:
    """Limits by kind, equal ones (rounded down to the settings' step) of several spots in one row."""
    grouped: dict[tuple[str, str, MadeIn, int, Treatment, float], list[LimitReason]] = defaultdict(list)
    own: dict[tuple[str, Spot], float] = defaultdict(lambda: math.inf)
    for service in site.services:
        for place in service.received_in:
            for spot in site.spots_of(service, place):
                own[service.kind, spot] = min(own[service.kind, spot], site.own_dbm(service, spot))
    step = site.settings.limit_step_db
    for (kind_id, spot), own_dbm in own.items():
        kind = site.kind_of[kind_id]
        for family, made_in, treatment, reason, limit in _limits(site, kind, spot, own_dbm, strongest[spot]):
            rounded = math.floor(limit / step) * step
            grouped[kind_id, family, made_in, kind.guards[family], treatment, rounded].append(reason)
    return [
        ProductDemand(
            family=family,
            guard_hz=guard_hz,
            treatment=treatment,
            limit_db=limit,
            made_in=made_in,
            places=tuple(sorted({reason.place for reason in reasons})),
            kind=kind_id,
            reasons=tuple(reasons),
        )
        for (kind_id, family, made_in, guard_hz, treatment, limit), reasons in sorted(grouped.items())
    ]


def _limits(
    site: Site, kind: Kind, spot: Spot, own_dbm: float, strongest_dbm: float
) -> list[tuple[str, MadeIn, Treatment, LimitReason, float]]:
    """(family, where made, treatment, reason, limit) for one kind at one spot.

    What only costs where it would disturb a faded signal is forbidden where it would disturb one that has not faded. A
    computed limit for transmitters never lifts the ban on 2A−B among carriers sent from one place.
    """
    settings = site.settings
    strongest = strongest_dbm - kind.receiver_body.least_db
    faded = Victim(strongest, own_dbm - strongest, kind.protection, settings.fade_db)
    iip3 = None if kind.iip3_dbm is None else site.chain(site.places[spot.place].id, kind.id).iip3_dbm
    intercepts = {3: iip3, 5: kind.iip5_dbm}
    rows: list[tuple[str, MadeIn, Treatment, LimitReason, float]] = []
    for family in kind.guards:
        intercept = intercepts.get(order(FAMILIES[family]))
        treatment = settings.treatments.get(family, "penalise")
        if intercept is None:
            nothing = LimitReason(spot.id, faded, None, None)
            rows.append((family, "receivers", treatment, nothing, ANY_PRODUCT_DB))
            continue
        cases: dict[Treatment, Victim] = {treatment: faded}
        if treatment == "penalise":
            cases["forbid"] = replace(faded, fade_db=0.0)
        for then, victim in cases.items():
            computed = receiver_limit_db(FAMILIES[family], victim, intercept)
            rows.append(
                (family, "receivers", then, LimitReason(spot.id, victim, intercept, computed), computed)
            )
    if "2A-B" in kind.guards:
        stands = {site.place(name).stands for s in site.services for name in s.sent_from}
        coupling = min((settings.coupling_db[where] for where in stands), default=0.0)
        computed = transmitter_limit_db(faded, coupling, settings.conversion_db)
        reason = LimitReason(spot.id, faded, None, computed)
        rows.append(("2A-B", "transmitters", "forbid", reason, min(computed, ANY_PRODUCT_DB)))
    return rows


# ----------------------------------------------------------------------------------------------- harmonics

STRONG_DBM: Final = 30.0
"""From 1 W e.i.r.p. on a transmitter's harmonics are kept clear in its zone (common practice, no source)."""


@dataclass(frozen=True)
class HarmonicDemand:
    """A band that a strong transmitter's harmonic falls in: to be kept clear where it is sent from."""

    kind: str
    place: str
    harmonic: Harmonic


def harmonic_demands(
    site: Site, low_hz: int, high_hz: int, up_to_hz: int, kind: str, place: str
) -> list[HarmonicDemand]:
    """Bands to keep clear for one carrier's occupied band, or none if its kind is not strong."""
    if site.sending(kind, place).eirp_dbm < STRONG_DBM:
        return []
    return [HarmonicDemand(kind, place, row) for row in harmonics(low_hz, high_hz, up_to_hz)]
