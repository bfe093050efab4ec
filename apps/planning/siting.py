"""The event as the radio model sees it: each zone its antennas, its bodies and the rack beside, each kind its radio figures.

People say «zone» and «kind»; the model needs places and services. What follows from them (who hears whom, smallest
separations, limits for products) is in apps/radio/demands.py, every number with the record of how it came about.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any, Final, cast

from apps.events.models import Event, Zone
from apps.radio.chains import OWN_ANTENNAS, Stage, passive
from apps.radio.demands import Demands, demands
from apps.radio.kinds import BODY_LOSS, BodyLoss, Kind
from apps.radio.outlines import Outline, apart_m, point
from apps.radio.paths import Override
from apps.radio.places import Distances, Place, stage
from apps.radio.propagation import Building
from apps.radio.settings import Settings
from apps.radio.site import Service, Site
from apps.registry.models import Antennas, Carrier, KindRole
from apps.registry.rules import MODULATIONS, antennas_of, curve, received_through, sending, system
from apps.spectrum.models import KnownLoss

# How near and how far a zone's devices come, as shares of their usual distance; common practice, no source.
NEAREST_SHARE, FARTHEST_SHARE = 0.2, 2.0
# Which of a zone's places sends and which receives, by who holds the two ends of a role.
ENDS: Final = {
    ("device", "base"): ("bodies", "antennas"),
    ("base", "device"): ("rack", "bodies"),
    ("device", "device"): ("bodies", "bodies"),
    ("base", "base"): ("rack", "antennas"),
}


@dataclass(frozen=True)
class Sited:
    """An event's site with its demands. services: {(solver kind, zone code): service}."""

    site: Site
    services: dict[tuple[str, str], Service]
    demands: Demands

    def service(self, carrier: Carrier) -> Service:
        return self.services[solver_kind(carrier), carrier.registration.zone.code]


def solver_kind(carrier: Carrier) -> str:
    """The solver's kind: a kind of one role by its code, of several by code and role."""
    kind = carrier.registration.kind
    return kind.code if len(kind.roles.all()) == 1 else f"{kind.code}/{carrier.role.code}"


def zone_of(place: str) -> str:
    """The zone that a place belongs to."""
    return place.split("/", 1)[0]


def in_words(place: str) -> str:
    """A place as people read it: «north, antennas»."""
    return place.replace("/", ", ")


def with_its_name(place: str, zones: Mapping[str, str]) -> str:
    """The same by the name of its zone, without the band of its receivers: «North stage, antennas»."""
    code = zone_of(place)
    part = place.removeprefix(code).removeprefix("/").split(",")[0]
    return ", ".join(filter(None, (zones.get(code, code), part)))


@dataclass(frozen=True)
class _Recipe:
    """What a site is made of, told apart by the versions of its rows: the same recipe is not worked out twice."""

    versions: tuple[Any, ...]
    settings: Settings = field(compare=False)
    zones: tuple[Zone, ...] = field(compare=False)
    antennas: dict[int, Antennas] = field(compare=False)
    known: tuple[KnownLoss, ...] = field(compare=False)
    brought: tuple[Carrier, ...] = field(compare=False)


def sited(event: Event, carriers: Iterable[Carrier]) -> Sited:
    """The site of an event with the kinds that its carriers bring."""
    zones = tuple(event.zones.order_by("code"))
    antennas = antennas_of(event)
    known = tuple(event.known_losses.select_related("one", "other"))
    brought: dict[tuple[str, str], Carrier] = {}
    for carrier in carriers:
        brought.setdefault((solver_kind(carrier), carrier.registration.zone.code), carrier)
    settings = Settings(surroundings=cast(Any, event.surroundings), fade_db=event.fade_db)
    versions = (
        (settings.surroundings, settings.fade_db),
        tuple((zone.pk, zone.version) for zone in zones),
        tuple((row.pk, row.version) for row in antennas.values()),
        tuple((row.pk, row.version) for row in known),
        tuple(
            (name, zone, c.role_id, c.registration.kind.version)
            for (name, zone), c in sorted(brought.items())
        ),
    )
    kinds = tuple(carrier for _, carrier in sorted(brought.items()))
    return _sited(_Recipe(versions, settings, zones, antennas, known, kinds))


@lru_cache(maxsize=8)
def _sited(recipe: _Recipe) -> Sited:
    kinds: dict[str, Kind] = {}
    services: dict[tuple[str, str], Service] = {}
    for carrier in recipe.brought:
        name, zone = solver_kind(carrier), carrier.registration.zone.code
        if name not in kinds:
            kinds[name] = _kind(name, carrier)
    bands = _bands(recipe, kinds)
    places = {
        place.id: place for zone in recipe.zones for place in _places(zone, recipe.antennas.get(zone.pk))
    }
    fronts: dict[str, Place] = {}
    for carrier in recipe.brought:
        name, zone = solver_kind(carrier), carrier.registration.zone.code
        sender, receiver = ENDS[carrier.role.sent_by, carrier.role.received_by]
        antennas = _behind(recipe, carrier)
        front = _front(places[f"{zone}/{receiver}"], bands[zone, receiver, antennas], kinds[name], antennas)
        fronts[front.id] = front
        services[name, zone] = Service(name, (f"{zone}/{sender}",), (front.id,))
    site = Site(
        (*places.values(), *fronts.values()),
        tuple(kinds.values()),
        tuple(services.values()),
        recipe.settings,
        overrides=tuple(_overrides(recipe.known, [*places, *fronts])),
    )
    return Sited(site, services, demands(site) if services else Demands((), (), (), ()))


def _overrides(known: Iterable[KnownLoss], places: list[str]) -> Iterator[Override]:
    """A figure between two zones holds from any place of one to any of the other."""
    for row in known:
        for a in places:
            for b in places:
                if zone_of(a) == row.one.code and zone_of(b) == row.other.code:
                    yield Override((a, b), row.loss_db, row.note)


def _behind(recipe: _Recipe, carrier: Carrier) -> Antennas | None:
    """The antenna system that a carrier is received through, if it is."""
    antennas = recipe.antennas.get(carrier.registration.zone_id)
    return antennas if received_through(antennas, carrier.role) else None


def _bands(
    recipe: _Recipe, kinds: dict[str, Kind]
) -> dict[tuple[str, str, Antennas | None], list[tuple[int, int]]]:
    """What receivers of one place and antenna have in front of them: {…: ranges}, those that overlap joined into one."""
    found: dict[tuple[str, str, Antennas | None], list[tuple[int, int]]] = {}
    for carrier in recipe.brought:
        _, receiver = ENDS[carrier.role.sent_by, carrier.role.received_by]
        kind = kinds[solver_kind(carrier)]
        key = carrier.registration.zone.code, receiver, _behind(recipe, carrier)
        found.setdefault(key, []).append((kind.low_hz, kind.high_hz))
    for key, ranges in found.items():
        joined: list[tuple[int, int]] = []
        for low, high in sorted(ranges):
            if joined and low <= joined[-1][1]:
                joined[-1] = joined[-1][0], max(joined[-1][1], high)
            else:
                joined.append((low, high))
        found[key] = joined
    return found


def _front(place: Place, bands: list[tuple[int, int]], kind: Kind, antennas: Antennas | None) -> Place:
    """The receivers of a place for one band: their front end lets in what they can tune and nothing else.

    Common practice, no source; a two-way radio's duplex filter keeps its own outputs from its inputs so. Behind an antenna
    system its filter comes first, and what makes products in its amplifier counts as if it made them in the receivers.
    """
    low, high = next(band for band in bands if band[0] <= kind.low_hz <= band[1])
    if antennas is None:
        return replace(place, id=_named(place, low, high), passband=((low, high),))
    low, high = max(low, antennas.low_hz or low), min(high, antennas.high_hz or high)
    return replace(
        place,
        id=_named(place, low, high),
        passband=((low, high),),
        antenna_dbi=antennas.gain_dbi,
        front=_stages(antennas),
    )


def _named(place: Place, low_hz: int, high_hz: int) -> str:
    return f"{place.id}, {low_hz / 1e6:g}–{high_hz / 1e6:g} MHz"


def _stages(antennas: Antennas) -> tuple[Stage, ...]:
    """What stands between the antenna and the receivers, from outside inwards."""
    parts = []
    if antennas.cable_db:
        parts.append(passive("cable", antennas.cable_db))
    if antennas.amplifier_db:
        noise_db, iip3_dbm = antennas.amplifier_noise_db or 0.0, antennas.amplifier_iip3_dbm or 0.0
        parts.append(Stage("amplifier", antennas.amplifier_db, noise_db, iip3_dbm))
    if antennas.splitter_db:
        parts.append(passive("splitter", antennas.splitter_db))
    return tuple(parts)


def _places(zone: Zone, antennas: Antennas | None) -> Iterator[Place]:
    usual, outline = zone.own_distance_m, outline_of(zone)
    own = Distances(
        zone.nearest_m or usual * NEAREST_SHARE, usual, zone.farthest_m or _farthest_m(zone, outline)
    )
    shared = OWN_ANTENNAS if antennas is None else system(antennas)
    for place in stage(
        zone.code,
        zone.east_m,
        zone.north_m,
        own,
        zone.rack_m,
        antenna_height_m=zone.antenna_height_m,
        outline=outline,
        building=zone.code if zone.indoor else "",
        construction=cast(Building, zone.walls),
    ):
        # Whoever carries a transmitter carries its antenna; only what stands in the rack shares one.
        yield replace(
            place,
            noise_rise_db=zone.noise_rise_db,
            sending=shared if place.stands == "rack" else OWN_ANTENNAS,
        )


def outline_of(zone: Zone) -> Outline:
    """A zone's outline as the radio model takes it; empty where nobody drew one."""
    return tuple(tuple((float(east), float(north)) for east, north in ring) for ring in zone.outline)


def _farthest_m(zone: Zone, outline: Outline) -> float:
    """Where nobody said how far a zone's devices go: to the farthest corner of its outline, else twice as far as usual."""
    if not outline:
        return zone.own_distance_m * FARTHEST_SHARE
    return max(zone.own_distance_m, apart_m(outline, point(zone.east_m, zone.north_m))[1])


def _kind(name: str, carrier: Carrier) -> Kind:
    role, kind = carrier.role, carrier.registration.kind
    figures = role.radio
    worn, nobody = _body(kind.use, figures.get("body_loss_db")), BODY_LOSS[""]
    own = sending(role, max(kind.power_mw, default=50))
    assert own is not None
    return Kind(
        id=name,
        modulation=MODULATIONS[kind.modulation],
        bandwidth_hz=role.bandwidth_hz,
        low_hz=min(part["low_hz"] for part in role.tuning),
        high_hz=max(part["high_hz"] for part in role.tuning),
        sending=own,
        use=kind.use,
        body=worn if role.sent_by == "device" else nobody,
        receiver_body=worn if role.received_by == "device" else nobody,
        noise_figure_db=figures.get("noise_figure_db", 6.0),
        floor_db=figures.get("floor_db", -90.0),
        blocking_db=figures.get("blocking_db", 80.0),
        iip3_dbm=figures.get("iip3_dbm"),
        protection_db=figures.get("protection_db"),
        guards_hz=guards(role),
        mask=curve(figures.get("mask"), role.bandwidth_hz),
        filter=curve(figures.get("filter"), role.bandwidth_hz),
        mixes=role.mixes,
    )


def _body(use: str, usual_db: float | None) -> BodyLoss:
    start = BODY_LOSS.get(use, BODY_LOSS[""])
    return (
        start if usual_db is None else BodyLoss(min(start.least_db, usual_db), max(start.least_db, usual_db))
    )


def guards(role: KindRole) -> dict[str, int]:
    """The guards that a role asks for, in hertz by family; families without one do not count for it."""
    return {family: cast(int, guard) for family, guard in role.guards_hz.items() if guard}
