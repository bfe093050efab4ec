"""Who is on the air where: the sites at which products form, what reaches the carriers that rules protect, and what a further
carrier would suffer and cause.

A site is a receiving place (products of the carriers that it hears, made in its receivers) or a sending place (products of the
carriers sent from it, which then travel to every place that hears it, each with its gain). At each site every product rule has
its load maps (`maps`). For forbidding rules a ledger keeps the exact load of each victim by place and slot: the maps propose,
the ledger decides.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from apps.solver.arrays import Arrays, Bools, Floats, Ints
from apps.solver.axis import Axis, Bands, bands_hz, within
from apps.solver.maps import Maps
from apps.solver.problem import coefficients, linear

MEMORY_BYTES = 3_000_000_000
FAINT = 0.01  # share of the loudest below which a source or a path is left out of what is merely priced
NOTHING = 1e-6  # share of a limit below which a load is rounding
UNHEARD = 0.01  # share of a limit: what cannot bring more of it to the loudest product is not looked up
HOPES = 8  # once so small a share of the points may still be clean, it is looked at alone
STALE = 0.05  # relative change of an urgency that is booked into the maps

Booking = dict[tuple[int, int], dict[int, Floats]]  # (rule, place) -> {victim: load by slot}


@dataclass
class Ledger:
    """The victims of one forbidding rule at one receiving place: load[row, slot], and what each may bear."""

    row: dict[int, int]
    load: Floats
    may_bear: Floats

    def slack(self, i: int) -> Floats:
        at = self.row[i]
        return np.asarray(self.may_bear[at] - self.load[at])


@dataclass
class Ward:
    """The product rules of one family and treatment at one site: they share maps, and differ in whom they protect and how well.

    Forbidding rules that share a ward have one guard; what merely costs is priced at the widest, in proportion.
    """

    family: str
    treatment: str
    guard_hz: int
    rules: list[int]
    limit: float  # the lowest of the rules
    least: float  # what is sent or heard weaker than this takes no part
    maps: Maps
    used: int = 0
    urgency: dict[int, Floats] = field(default_factory=dict)

    @property
    def forbids(self) -> bool:
        return self.treatment == "forbid"

    @property
    def key(self) -> tuple[str, str, int]:
        return self.family, self.treatment, self.guard_hz


class Site:
    """Where products form. `hearers`: the receiving places that they reach, with gains."""

    def __init__(self, made_in: str, place: int, hearers: dict[int, float], level: dict[int, float]) -> None:
        self.made_in, self.place, self.hearers, self.level = made_in, place, hearers, level
        self.wards: list[Ward] = []
        self.axis = Axis((), (), ())


class Air:
    """All sites of a problem, or those that `readers` touch: the carriers for which places are sought (default: all movable)."""

    def __init__(
        self,
        arrays: Arrays,
        *,
        readers: Iterable[int] | None = None,
        slots: Ints | None = None,
        memory_bytes: int = MEMORY_BYTES,
        faint: float = FAINT,
        standing: Ints | None = None,
    ) -> None:
        """`standing` (0: nowhere) are frequencies of a plan that their carriers may not be tunable to."""
        self.faint = faint
        self._standing = standing
        self._bands: dict[int, list[Bands]] = {}
        self.arrays, self.rules = arrays, arrays.problem.products
        self.memory_bytes = memory_bytes
        self.slots = arrays.kept_slots if slots is None else slots
        self.readers = (
            [i for i in range(arrays.n) if not arrays.fixed[i]] if readers is None else list(readers)
        )
        self.on: Floats = arrays.on[:, self.slots].astype(float)
        self._spans: dict[int, slice] = {}
        self.passive = all(rule.treatment == "ignore" for rule in self.rules)
        self._receive()
        self._set_up()
        self._clock = self._awake_bytes = 0
        self._judged: tuple[int, int, Booking] | None = None
        self.narrowed = False
        self._asked: tuple[int, str, int] | None = None
        self._asked_maps: Maps | None = None

    def narrow(self) -> None:
        """Before anybody is on the air: one slot stands for all, as long as only carriers come that are on all day."""
        self._on_by_slot, self.on = self.on, np.ones((self.arrays.n, 1))
        self._spans.clear()
        self.narrowed = True
        self._reshape()

    def widen(self) -> None:
        """Part the slots again, if one stands for all."""
        if not self.narrowed:
            return
        self.narrowed = False
        slots = self._on_by_slot.shape[1]
        self.on = self._on_by_slot
        self._spans.clear()
        for ledger in self.ledgers.values():
            ledger.load = np.repeat(ledger.load, slots, axis=1)
            ledger.may_bear = np.repeat(ledger.may_bear, slots, axis=1)
        for site in self.sites:
            for ward in site.wards:
                ward.urgency = {i: np.repeat(u, slots) * self.on[i] for i, u in ward.urgency.items()}
        self._judged = None

    def _reshape(self) -> None:
        slots = self.on.shape[1]
        for ledger in self.ledgers.values():
            ledger.load, ledger.may_bear = ledger.load[:, :slots].copy(), ledger.may_bear[:, :slots].copy()
        for site in self.sites:
            for ward in site.wards:
                ward.maps.slots = slots
                ward.maps.weights = ward.maps.weights[:, :, :slots].copy()

    # -- who hears whom ---------------------------------------------------------------------------

    def _receive(self) -> None:
        problem, arrays = self.arrays.problem, self.arrays
        place = {zone.id: z for z, zone in enumerate(problem.zones)}
        self.received = [sorted({place[z] for z in c.received_in}) for c in arrays.carriers]
        self._passband = [zone.passband for zone in problem.zones]
        wanted: dict[tuple[str, int], set[int]] = {}
        self.protected: dict[tuple[int, int], set[int]] = {}
        for r, rule in enumerate(self.rules):
            if rule.treatment == "ignore":
                continue
            for i, carrier in enumerate(arrays.carriers):
                if rule.kinds is None or carrier.kind in rule.kinds:
                    for z in self.received[i]:
                        if rule.zones is None or problem.zones[z].id in rule.zones:
                            self.protected.setdefault((r, z), set()).add(i)
        for r, z in self.protected:
            if self.rules[r].made_in == "receivers":
                wanted.setdefault(("receivers", z), set()).add(r)
            else:
                for k in problem.zones[z].hears:
                    wanted.setdefault(("transmitters", place[k]), set()).add(r)
        sent: list[list[int]] = [[] for _ in problem.zones]
        for i, carrier in enumerate(arrays.carriers):
            for zone_id in carrier.sent_from if carrier.mixes else ():
                sent[place[zone_id]].append(i)
        self.sites = []
        self._rules_of_site = []
        for (made_in, at), rules in sorted(wanted.items()):
            if made_in == "receivers":
                hearers, level = {at: 1.0}, self._heard_at(at, sent, place)
            else:
                code = problem.zones[at].id
                hearers = {
                    z: linear(zone.hears[code]) for z, zone in enumerate(problem.zones) if code in zone.hears
                }
                level = {i: linear(arrays.carriers[i].level_db) for i in sent[at]}
            self.sites.append(Site(made_in, at, hearers, level))
            self._rules_of_site.append(sorted(rules))
        self._touch()

    def _heard_at(self, z: int, sent: list[list[int]], place: dict[str, int]) -> dict[int, float]:
        strongest: dict[int, float] = {}
        for code, db in self.arrays.problem.zones[z].hears.items():
            for i in sent[place[code]]:
                strongest[i] = max(strongest.get(i, -np.inf), db)
        return {
            i: 10 ** ((db + self.arrays.carriers[i].level_db) / 10)
            for i, db in strongest.items()
            if within(self._bands_hz(i), self._passband[z])
        }

    def _bands_hz(self, i: int) -> list[Bands]:
        """Everything that a carrier can be set to, and where it stands all the same."""
        if i not in self._bands:
            bands = bands_hz(self.arrays.carriers[i])
            at = 0 if self._standing is None else int(self._standing[i])
            on = any(low <= at <= high and (at - low) % max(step, 1) == 0 for low, high, step in bands)
            self._bands[i] = bands if on or not at else [*bands, (at, at, 0)]
        return self._bands[i]

    def _touch(self) -> None:
        """Keep the sites that some reader touches, and list each carrier's."""
        received = [set(z) for z in self.received]
        asked = set(self.readers)
        kept, rules_kept = [], []
        self.sites_of: list[list[Site]] = [[] for _ in range(self.arrays.n)]
        for site, rules in zip(self.sites, self._rules_of_site, strict=True):
            hit = {i for r in rules for z in site.hearers for i in self.protected.get((r, z), ())}
            if not asked & (hit | site.level.keys()):
                continue
            kept.append(site)
            rules_kept.append(rules)
            for i in sorted(hit | site.level.keys()):
                if i in site.level or received[i] & site.hearers.keys():
                    self.sites_of[i].append(site)
        self.whole = len(kept) == len(self.sites) and len(self.slots) == len(self.arrays.kept_slots)
        self.sites, self._rules_of_site = kept, rules_kept

    def _set_up(self) -> None:
        slots = self.on.shape[1]
        self.ledgers: dict[tuple[int, int], Ledger] = {}
        for site, rules in zip(self.sites, self._rules_of_site, strict=True):
            self._lay_out(site, rules, slots)
            for r in rules:
                law = self.rules[r]
                for z in site.hearers if law.treatment == "forbid" else ():
                    ids = sorted(self.protected.get((r, z), ()))
                    if ids and (r, z) not in self.ledgers:
                        load = np.zeros((len(ids), slots))
                        rows = {i: at for at, i in enumerate(ids)}
                        self.ledgers[r, z] = Ledger(rows, load, np.full_like(load, law.limit))
        self._gains: dict[tuple[int, str, str, int, int], list[tuple[int, int, float]]] = {}

    def _lay_out(self, site: Site, rules: list[int], slots: int) -> None:
        """A site's own bins, no finer and no wider than those who mix or suffer there need, and its maps."""
        victims = {i for r in rules for z in site.hearers for i in self.protected.get((r, z), ())}
        passband = self._passband[site.place] if site.made_in == "receivers" else ()
        own = {i: self._bands_hz(i) for i in victims | site.level.keys()}
        heard = {i: bands if i in victims else within(bands, passband) for i, bands in own.items()}
        bands = {band for row in heard.values() for band in row}
        read = {band for i in self.readers for band in heard.get(i, ())}
        coarser = 1
        while True:
            site.axis = Axis(bands, read, [self.rules[r] for r in rules], coarser=coarser)
            site.wards = self._wards(site, rules, slots)
            widest = max((ward.maps.bytes_per_slot for ward in site.wards), default=0)
            if widest <= self.memory_bytes / 40:
                return
            coarser *= 2

    def _wards(self, site: Site, rules: list[int], slots: int) -> list[Ward]:
        alike: dict[tuple[str, str, int], list[int]] = {}
        for r in rules:
            law = self.rules[r]
            alike.setdefault(
                (law.family, law.treatment, law.guard_hz if law.treatment == "forbid" else 0), []
            ).append(r)
        loudest, found = max(site.level.values(), default=0.0), []
        for (family, treatment, _), together in sorted(alike.items()):
            widest = max((self.rules[r] for r in together), key=lambda law: law.guard_hz)
            letters = coefficients(family)
            exactly = np.float64 if treatment == "forbid" else np.float32
            maps = Maps(letters, site.axis.box(widest, letters), site.axis, slots, exactly)
            limit = min(self.rules[r].limit for r in together)
            least = 0.0 if treatment == "forbid" else max(limit, self.faint * loudest)
            found.append(Ward(family, treatment, widest.guard_hz, together, limit, least, maps))
        return found

    def level(self, site: Site, i: int, hz: int) -> float:
        """The linear level of carrier i at a site; 0 where it takes no part."""
        level = site.level.get(i, 0.0)
        if level and site.made_in == "receivers" and (passband := self._passband[site.place]):
            return level if any(band.low_hz <= hz <= band.high_hz for band in passband) else 0.0
        return level

    def _level_along(self, site: Site, i: int, hz: Ints) -> Floats | float | None:
        level = site.level.get(i, 0.0)
        if not level:
            return None
        passband = self._passband[site.place] if site.made_in == "receivers" else ()
        if not passband:
            return level
        inside = np.logical_or.reduce([(hz >= band.low_hz) & (hz <= band.high_hz) for band in passband])
        return np.where(inside, level, 0.0)

    def gains(self, site: Site, ward: Ward, i: int) -> list[tuple[int, int, float]]:
        """(rule, place, gain) of everything by which a ward protects carrier i from what forms at a site."""
        key = (id(site), *ward.key, i)
        if key not in self._gains:
            loudest = max(site.hearers.values(), default=0.0)
            self._gains[key] = [
                (r, z, site.hearers[z])
                for z in self.received[i]
                if site.hearers.get(z, 0.0) > (0.0 if ward.forbids else self.faint * loudest)
                for r in ward.rules
                if i in self.protected.get((r, z), ())
            ]
        return self._gains[key]

    # -- coming and going ---------------------------------------------------------------------------

    def start(self, hz: Ints) -> None:
        """Put many on an empty air at once, whatever they break (hz 0: not placed). The loads are counted once for all."""
        here = [int(i) for i in np.flatnonzero(hz) if self.sites_of[i] and self.on[i].any()]
        for i in here:
            for site in self.sites_of[i]:
                f, level = site.axis.bin(int(hz[i])), self.level(site, i, int(hz[i]))
                for ward in site.wards:
                    weights = self._weights(ward, site, i, level)
                    if weights is not None:
                        ward.maps.add(i, int(hz[i]), f, weights)
        for ledger in self.ledgers.values():
            ledger.load[:] = 0.0
        for site in self.sites:
            for ward in site.wards:
                if not ward.forbids:
                    continue
                for i, load in ward.maps.loads(ward.guard_hz):
                    for r, z, gain in self.gains(site, ward, i):
                        ledger = self.ledgers[r, z]
                        ledger.load[ledger.row[i]] += gain * load * self.on[i]
        self._weigh_again()

    def _weigh_again(self) -> None:
        """Give every victim of a forbidding rule the urgency that its slack asks for."""
        for site in self.sites:
            for ward in site.wards:
                for i, was in list(ward.urgency.items()) if ward.forbids else ():
                    now = self._urgency(ward, i, self.gains(site, ward, i))
                    if np.any(np.abs(now - was) > STALE * was):
                        self._ready(ward)
                        ward.urgency[i] = now
                        ward.maps.reweigh(i, now)

    def add(self, i: int, hz: int) -> None:
        """Put a carrier on the air, whatever that breaks."""
        booking = self._booked(i, hz)
        self._judged = None
        self._book(i, booking, +1.0)
        for site in self.sites_of[i]:
            f, level = site.axis.bin(hz), self.level(site, i, hz)
            for ward in site.wards:
                weights = self._weights(ward, site, i, level)
                if weights is not None:
                    self._ready(ward)
                    ward.maps.add(i, hz, f, weights)
        self._follow(booking, i)

    def remove(self, i: int, hz: int) -> None:
        """Take it off again."""
        self._judged = None
        for site in self.sites_of[i]:
            for ward in site.wards:
                if i in ward.maps:
                    self._ready(ward)
                    ward.maps.remove(i)
                    ward.urgency.pop(i, None)
        booking = self._booked(i, hz)
        self._book(i, booking, -1.0)
        self._follow(booking, i)

    def _weights(self, ward: Ward, site: Site, i: int, level: float) -> Floats | None:
        maps = ward.maps
        if level < ward.least:
            level = 0.0
        weights = np.zeros((len(maps.factors), self.on.shape[1]))
        if level:
            for p in range(maps.victim):
                weights[p] = level ** abs(maps.factors[p]) * self.on[i]
        gains = self.gains(site, ward, i)
        if gains:
            weights[maps.victim] = self._urgency(ward, i, gains)
            ward.urgency[i] = weights[maps.victim].copy()
        return weights if level or gains else None

    def _urgency(self, ward: Ward, i: int, gains: list[tuple[int, int, float]]) -> Floats:
        """How much it matters to hit a carrier: the gain over what it may still bear, or what it costs."""
        if not ward.forbids:
            prices = [
                self.rules[r].weight * gain * self.rules[r].guard_hz / ward.guard_hz for r, _, gain in gains
            ]
            return np.asarray(max(prices) * self.on[i])
        parts = [
            gain / np.maximum(self.ledgers[r, z].slack(i), 1e-6 * self.rules[r].limit) for r, z, gain in gains
        ]
        return np.asarray(np.sum(parts, axis=0) * self.on[i])

    def _book(self, i: int, booking: Booking, sign: float) -> None:
        for key, loads in booking.items():
            ledger = self.ledgers[key]
            for victim, load in loads.items():
                at = ledger.row[victim]
                ledger.load[at] += sign * load
                np.maximum(ledger.load[at], 0.0, out=ledger.load[at])
        if sign < 0:
            for z in self.received[i]:
                for r in range(len(self.rules)):
                    if (r, z) in self.ledgers and i in self.ledgers[r, z].row:
                        self.ledgers[r, z].load[self.ledgers[r, z].row[i]] = 0.0

    def _follow(self, booking: Booking, i: int) -> None:
        """Carry changed slacks into the maps."""
        for r, victim in sorted({(key[0], v) for key, loads in booking.items() for v in loads if v != i}):
            for site in self.sites_of[victim]:
                for ward in site.wards:
                    if r not in ward.rules or victim not in ward.maps:
                        continue
                    gains = self.gains(site, ward, victim)
                    if not gains:
                        continue
                    now, was = self._urgency(ward, victim, gains), ward.urgency[victim]
                    if np.any(np.abs(now - was) > STALE * was):
                        self._ready(ward)
                        ward.urgency[victim] = now
                        ward.maps.reweigh(victim, now)

    def settle_fixed(self) -> None:
        """After the fixed carriers are placed: one whose load from them alone exceeds may bear as much again as the limit."""
        for (r, _), ledger in self.ledgers.items():
            limit = self.rules[r].limit
            ledger.may_bear = limit + np.where(ledger.load > limit, ledger.load, 0.0)
        self._weigh_again()

    # -- memory ---------------------------------------------------------------------------------------

    @property
    def roomy(self) -> bool:
        """Whether the maps of all sites and slots fit into the memory at once."""
        each = sum(ward.maps.bytes_per_slot for site in self.sites for ward in site.wards)
        return each * len(self.slots) <= self.memory_bytes

    def _ready(self, ward: Ward) -> None:
        """Maps that were built for one slot get them all; those asleep stay asleep."""
        slots = self.on.shape[1]
        if ward.maps.slots != slots:
            if ward.maps.awake:
                self._make_room(ward, (slots - 1) * ward.maps.bytes_per_slot)
            ward.maps.widen(slots)

    def _wake(self, ward: Ward) -> Maps:
        self._clock += 1
        ward.used = self._clock
        self._ready(ward)
        if not ward.maps.awake:
            self._make_room(ward, ward.maps.slots * ward.maps.bytes_per_slot)
            ward.maps.wake()
        return ward.maps

    def forget_prices(self) -> None:
        """Put all maps to sleep that only cost; whoever asks for a price wakes them again."""
        for site in self.sites:
            for ward in site.wards:
                if ward.maps.awake and not ward.forbids:
                    self._awake_bytes -= ward.maps.slots * ward.maps.bytes_per_slot
                    ward.maps.sleep()

    def _make_room(self, ward: Ward, wanted: int) -> None:
        """Put the maps to sleep that were used longest ago, until there is room."""
        self._awake_bytes += wanted
        if self._awake_bytes <= self.memory_bytes:
            return
        awake = [w for site in self.sites for w in site.wards if w.maps.awake and w is not ward]
        for old in sorted(awake, key=lambda w: w.used):
            if self._awake_bytes <= self.memory_bytes * 0.8:
                return
            self._awake_bytes -= old.maps.slots * old.maps.bytes_per_slot
            old.maps.sleep()

    # -- what a carrier at one frequency would do -------------------------------------------------------

    def judge(self, i: int, hz: int) -> bool:
        """Exactly: a movable carrier at hz neither suffers nor causes more than the forbidding rules allow."""
        booking = self._booked(i, hz)
        self._judged = (i, hz, booking)
        for key, loads in booking.items():
            ledger, limit = self.ledgers[key], self.rules[key[0]].limit
            for victim, load in loads.items():
                room = limit if victim == i else np.maximum(ledger.slack(victim), 0.0)
                if np.any(load > room * (1 + 1e-12)):
                    return False
        return True

    def _booked(self, i: int, hz: int) -> Booking:
        """Everything that carrier i at hz suffers itself and adds to others under forbidding rules."""
        if self._judged is not None and self._judged[:2] == (i, hz):
            return self._judged[2]
        booking: Booking = {}
        when = self._when(i)
        for site in self.sites_of[i]:
            f, level = site.axis.bin(hz), self.level(site, i, hz)
            seen = any(low <= f < high for low, high in site.axis.reading)
            for ward in site.wards:
                if not ward.forbids or not ward.maps.n:
                    continue
                self._ready(ward)
                maps, guard = ward.maps, ward.guard_hz
                sees = seen and maps.awake
                gains = self.gains(site, ward, i)
                if gains and not (sees and maps.peek(maps.victim, f, when) < NOTHING * ward.limit):
                    load = maps.suffered(hz, guard, when) * self.on[i]
                    for r, z, gain in gains if load.any() else ():
                        book = booking.setdefault((r, z), {})
                        book[i] = book.get(i, 0.0) + gain * load
                if level and not (sees and self._harmless(maps, f, level, when)):
                    weights = np.array([level ** abs(k) * self.on[i] for k in maps.factors[:-1]])
                    for victim, load in maps.added(hz, weights, guard, when).items():
                        for r, z, gain in self.gains(site, ward, victim):
                            book = booking.setdefault((r, z), {})
                            book[victim] = book.get(victim, 0.0) + gain * load
        return booking

    def _harmless(self, maps: Maps, f: int, level: float, when: slice) -> bool:
        return all(
            maps.peek(p, f, when) * level ** abs(maps.factors[p]) < NOTHING for p in range(maps.victim)
        )

    # -- what it would do at every point of its raster ----------------------------------------------------

    def survey(
        self,
        i: int,
        hz: Ints,
        families: Iterable[str] | None = None,
        priced: bool = True,
        hopeful: bool = False,
    ) -> tuple[Bools, Bools, Floats]:
        """(clean, surely struck, cost) at rising frequencies, for a carrier that is not on the air.

        `clean` is what the maps prove clean. A point that is neither clean nor surely struck has to be judged: several victims
        share the blame, or bins are wider than the raster. `families` limits the look; not `priced` leaves costs aside;
        `hopeful` asks for clean points alone, and is done with those that are not as soon as that is seen.
        """
        clean, sure, cost = np.ones(len(hz), bool), np.zeros(len(hz), bool), np.zeros(len(hz))
        if not self.sites_of[i] or not len(hz):
            return clean, sure, cost
        when = self._when(i)
        mine = self.on[i, when] > 0
        suffers: dict[tuple[int, int], Floats] = {}
        causes: dict[tuple[str, str, int], Floats] = {}
        victims: dict[tuple[str, str, int], int] = {}
        for site in self.sites_of[i]:
            level, bins = self._level_along(site, i, hz), site.axis.bins(hz)
            for ward in site.wards:
                if not ward.maps.n or (families is not None and ward.family not in families):
                    continue
                if not (ward.forbids or priced):
                    continue
                gains = self.gains(site, ward, i)
                if not gains and (level is None or site.level[i] < ward.least):
                    continue
                maps, key = self._wake(ward), ward.key
                for r, z, gain in gains:
                    box = site.axis.box(self.rules[r], coefficients(ward.family))
                    load = suffers.get((r, z), 0.0) + gain * maps.read(maps.victim, bins, when, box)
                    suffers[r, z] = load
                    if hopeful and ward.forbids:
                        clean &= load[mine].max(axis=0) <= self.rules[r].limit
                if level is not None and ward.urgency and site.level[i] >= ward.least:
                    least = UNHEARD * ward.limit if ward.forbids else ward.least
                    load = causes.get(key, 0.0) + maps.caused(bins, level, when, least)
                    causes[key] = load
                    victims[key] = victims.get(key, 0) + len(ward.urgency)
                    if hopeful and ward.forbids:
                        clean &= load[mine].max(axis=0) < 1.0
                if hopeful and HOPES * np.count_nonzero(clean) < len(hz):
                    few = np.flatnonzero(clean)
                    clean[few] = self.survey(i, hz[few], families, priced, hopeful)[0]
                    return clean, sure, cost
        exact = all(site.axis.exact for site in self.sites_of[i])
        worst: dict[int, Floats] = {}
        for (r, _), load in suffers.items():
            top = load[mine].max(axis=0)
            worst[r] = np.maximum(worst[r], top) if r in worst else top
        for r, top in worst.items():
            law = self.rules[r]
            if law.treatment == "forbid":
                clean &= top <= law.limit
                sure |= top > law.limit * 1.001 + 1e-9 if exact else False
            else:
                cost += law.weight * np.where(top > law.limit, top, 0.0)
        for key, load in causes.items():
            top = load[mine].max(axis=0)
            if key[1] == "forbid":
                clean &= top < 1.0
                sure |= top > (1 + 2 * STALE) * victims[key] if exact else False
            else:
                cost += np.maximum(top, 0.0)
        return clean, sure, cost

    def price(self, i: int, hz: int) -> float:
        """About what a carrier that is on the air at hz suffers and causes under rules that merely cost."""
        when, total = self._when(i), 0.0
        for site in self.sites_of[i]:
            f = site.axis.bin(hz)
            for ward in site.wards:
                if ward.forbids or i not in ward.maps:
                    continue
                maps, level = self._wake(ward), self.level(site, i, hz)
                for r, _, gain in self.gains(site, ward, i):
                    total += self.rules[r].weight * gain * maps.peek(maps.victim, f, when)
                for letter in range(maps.victim) if level >= ward.least else ():
                    total += level ** abs(maps.factors[letter]) * maps.peek(letter, f, when)
        return total

    def _when(self, i: int) -> slice:
        if i not in self._spans:
            on = np.flatnonzero(self.on[i])
            self._spans[i] = slice(int(on[0]), int(on[-1]) + 1) if len(on) else slice(0, 0)
        return self._spans[i]

    def neighbours(self, i: int) -> set[int]:
        """Carriers on the air at the sites that a carrier touches."""
        return {
            int(j) for site in self.sites_of[i] for ward in site.wards for j in ward.maps.ids[: ward.maps.n]
        } - {i}

    def blamed(self, i: int, hz: int) -> list[int]:
        """Whoever takes part in a relation that carrier i at hz completes under a forbidding rule, once for each."""
        found: list[int] = []
        for site in self.sites_of[i]:
            level = self.level(site, i, hz)
            for ward in site.wards:
                if not ward.forbids or not ward.maps.n:
                    continue
                maps = ward.maps
                self._ready(ward)
                letters = [maps.victim] if self.gains(site, ward, i) else []
                letters += range(maps.victim) if level else []
                on = self.on[i] > 0
                for letter in letters:
                    members = maps.hits(letter, hz, ward.guard_hz, self._when(i))
                    together = np.ones((members.shape[1], int(on.sum())), bool)
                    for p, who in zip(maps.others[letter], members, strict=True):
                        together &= maps.weights[p, who][:, on] > 0
                    found += maps.ids[members[:, together.any(axis=1)]].T.ravel().tolist()
        return found

    def products_on(
        self, i: int, hz: Ints, rule: int, place: int, slot: int
    ) -> list[tuple[float, tuple[int, ...]]]:
        """(weight, carriers) of every product that hits carrier i at a place in a slot of the problem, strongest first.

        hz is the whole plan (0: not placed).
        """
        found: list[tuple[float, tuple[int, ...]]] = []
        law = self.rules[rule]
        for site in self.sites_of[i]:
            gain = site.hearers.get(place, 0.0)
            if not gain or site.made_in != law.made_in:
                continue
            maps = self._sources(site, law.family, slot, hz)
            members = maps.hits(maps.victim, int(hz[i]), law.guard_hz, slice(0, 1))
            ids = maps.ids[members]
            good = (ids != i).all(axis=0)
            weight = np.full(int(good.sum()), gain)
            for p, who in zip(maps.others[maps.victim], members[:, good], strict=True):
                weight *= maps.weights[p, who, 0]
            found += zip(weight.tolist(), map(tuple, ids[:, good].T.tolist()), strict=True)
        return sorted(found, reverse=True)

    def _sources(self, site: Site, family: str, slot: int, hz: Ints) -> Maps:
        """Everybody who takes part at a site in one slot, however weak; kept for the next carrier asked about."""
        key = (id(site), family, slot)
        if self._asked != key or self._asked_maps is None:
            maps = Maps(coefficients(family), 1, site.axis, 1)
            for j in site.level:
                level = self.level(site, j, int(hz[j])) if hz[j] and self.arrays.on[j, slot] else 0.0
                if level:
                    powers = [[level ** abs(k)] for k in maps.factors[:-1]]
                    maps.add(j, int(hz[j]), 0, np.array([*powers, [0.0]]))
            self._asked, self._asked_maps = key, maps
        return self._asked_maps
