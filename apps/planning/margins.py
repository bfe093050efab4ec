"""What the plan leaves over: for each placed carrier wanted level, noise, interference and products, and the rest in dB.

Models predict medians over many places; a margin is a reason to look, not a promise. Measure on site.
"""

import hashlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from itertools import repeat
from typing import Any, TypeVar

import numpy as np
from django.core.cache import cache
from numpy.typing import NDArray

from apps.events.models import Event
from apps.planning.models import Assignment
from apps.planning.siting import Sited, in_words, sited
from apps.planning.snapshot import Slots, standing_carriers
from apps.radio.margins import Contributor, Margins, Plan, contributors, lowest_sufficient_power, margins
from apps.radio.units import dbm, power_sum_dbm
from apps.registry.models import Carrier, Registration

WORST = 3
T = TypeVar("T")


@dataclass(frozen=True)
class Margin:
    """One carrier where it is worst off. Levels in dBm at the antenna's terminals; margins in whole dB.

    `needs_db`: how far its modulation has to stand over all the rest. `margin_db`: wanted at its weakest and faded, the
    worst interferer at its strongest; `usual_margin_db`: all at their usual level. `disturbed_by`: (level in dBm,
    carriers, family of a product or ""), the strongest first.
    """

    place: str
    wanted_dbm: float
    noise_dbm: float
    interference_dbm: float
    products_dbm: float
    needs_db: float
    margin_db: int
    usual_margin_db: int
    disturbed_by: tuple[tuple[float, tuple[str, ...], str], ...]

    @property
    def words(self) -> str:
        """«usually 34 dB over what it needs, 4 dB short when everything is at its worst»."""
        usual = _in_words(self.usual_margin_db).replace(" short", " short of")
        return f"usually {usual} what it needs, {self.worst} when everything is at its worst"

    @property
    def usual(self) -> str:
        """«34 dB over» or «▲ 3 dB short», which is a reason to look."""
        return f"{'▲ ' if self.usual_margin_db < 0 else ''}{_in_words(self.usual_margin_db)}"

    @property
    def worst(self) -> str:
        """«4 dB over» or «3 dB short»."""
        return _in_words(self.margin_db)

    @property
    def order(self) -> tuple[int, int]:
        """The least that is left over comes first: usually, then at worst."""
        return self.usual_margin_db, self.margin_db

    def as_dict(self) -> dict[str, Any]:
        return {
            "place": in_words(self.place),
            "wanted_dbm": _tenth(self.wanted_dbm),
            "noise_dbm": _tenth(self.noise_dbm),
            "interference_dbm": _tenth(self.interference_dbm),
            "products_dbm": _tenth(self.products_dbm),
            "needs_db": _tenth(self.needs_db),
            "margin_db": self.margin_db,
            "usual_margin_db": self.usual_margin_db,
            "contributors": [
                {"level_dbm": _tenth(level), "carriers": list(codes), "family": family}
                for level, codes, family in self.disturbed_by
            ],
        }


def _in_words(margin_db: int) -> str:
    return f"{abs(margin_db)} dB {'short' if margin_db < 0 else 'over'}"


def _tenth(level: float) -> float | None:
    return round(level, 1) if np.isfinite(level) else None


@dataclass(frozen=True)
class Lower:
    """The lowest step that would do for so many transmitters of a line, in milliwatts, and the margin that would be left."""

    power_mw: float
    now_mw: float
    carriers: int
    margin_db: int


@dataclass(frozen=True)
class OnAir:
    """The carriers that have a frequency, in the site's model."""

    carriers: list[Carrier]
    model: Sited
    plan: Plan

    @classmethod
    def of(cls, event: Event, placed: Mapping[str, int] | None = None) -> "OnAir | None":
        carriers = standing_carriers(event)
        rows = Assignment.objects.filter(event=event).values_list("carrier__code", "frequency_hz", "power_mw")
        power = {code: milliwatts for code, _, milliwatts in rows}
        hertz = dict(placed) if placed is not None else {code: hz for code, hz, _ in rows}
        on_air = [carrier for carrier in carriers if carrier.code in hertz]
        if not on_air:
            return None
        model = sited(event, carriers)
        return cls(on_air, model, _plan(model, on_air, hertz, power, Slots.of(carriers)))

    def margins(self, which: NDArray[np.bool_] | None = None, *, named: bool = False) -> dict[str, Margin]:
        """Each of these carriers where it is worst off."""
        found = margins(self.model.site, self.plan, only=which)
        worst: dict[int, int] = {}
        for link, carrier in enumerate(found.carrier):
            if int(carrier) not in worst or found.margin_db[link] < found.margin_db[worst[int(carrier)]]:
                worst[int(carrier)] = link
        who = contributors(self.model.site, self.plan, found, worst.values(), WORST) if named else repeat([])
        return {
            self.carriers[i].code: _margin(self.model, self.plan, found, link, self.carriers, disturbing)
            for (i, link), disturbing in zip(worst.items(), who, strict=False)
        }

    def lower_power(self, line: Registration, group: NDArray[np.int64]) -> Lower | None:
        """The lowest step of a line's transmitters with something left even when everything is at its worst; None if none."""
        full = max(line.kind.power_mw, default=0.0)
        if not full:
            return None
        now_mw = round(float(full * 10 ** (self.plan.power[group].max() / 10)), 6)
        steps = {float(dbm(mw) - dbm(full)): mw for mw in line.kind.power_mw if mw < now_mw}
        found = lowest_sufficient_power(self.model.site, self.plan, group, list(steps)) if steps else None
        if found is None or not found.enough:
            return None
        return Lower(steps[found.step_db], now_mw, group.size, found.least_margin_db)


def margins_of(
    event: Event, placed: Mapping[str, int] | None = None, *, named: bool = False
) -> dict[str, Margin]:
    """The margin of every carrier that has a frequency, or of `placed` ({carrier: hertz}) instead of the plan.

    `named`: with who disturbs each most, which takes about a millisecond for each.
    """
    on_air = OnAir.of(event, placed)
    return on_air.margins(named=named) if on_air else {}


def margin_of(event: Event, code: str) -> Margin | None:
    """The margin of one carrier as the plan stands, with who disturbs it most; kept until the event's revision rises."""

    def count() -> Margin | None:
        on_air = OnAir.of(event)
        if on_air is None:
            return None
        which = np.array([carrier.code == code for carrier in on_air.carriers])
        return on_air.margins(which, named=True).get(code) if which.any() else None

    return _kept(event, f"margin:{code}", count)


def margins_of_line(event: Event, line: Registration) -> tuple[dict[str, Margin], Lower | None]:
    """The margins of a line's carriers as the plan stands, and the lowest power that would do for them all."""

    def count() -> tuple[dict[str, Margin], Lower | None]:
        on_air = OnAir.of(event)
        which = (
            np.array([carrier.registration_id == line.pk for carrier in on_air.carriers]) if on_air else None
        )
        if on_air is None or which is None or not which.any():
            return {}, None
        return on_air.margins(which), on_air.lower_power(line, np.flatnonzero(which))

    return _kept(event, f"line:{line.pk}", count)


def _kept(event: Event, what: str, count: Callable[[], T]) -> T:
    """What was counted of the plan at this revision of the event; a list of one, as nothing may be an answer too."""
    key = f"{what}:{event.pk}:{event.created_at.timestamp()}:{event.revision}"
    kept: list[T] | None = cache.get(key)
    if kept is None:
        kept = [count()]
        cache.set(key, kept, timeout=3600)
    return kept[0]


def standing_margins(
    event: Event, placed: Mapping[str, int] | None = None, *, named: bool = False
) -> dict[str, Margin]:
    """The margins of the plan as it stands, or of `placed`; kept until the event's revision rises."""
    which = "" if placed is None else hashlib.sha256(repr(sorted(placed.items())).encode()).hexdigest()
    return _kept(event, f"margins:{named}:{which}", lambda: margins_of(event, placed, named=named))


def _plan(
    model: Sited,
    on_air: list[Carrier],
    hertz: Mapping[str, int],
    power: Mapping[str, float | None],
    slots: Slots,
) -> Plan:
    number = {service: index for index, service in enumerate(model.site.services)}
    place = {name: index for index, name in enumerate(slots.names)}
    on = np.zeros((len(on_air), max(1, len(slots.names))), bool)
    for row, carrier in enumerate(on_air):
        when = slots.of_registration(carrier.registration)
        on[row, [place[name] for name in when] if when else slice(None)] = True
    full = [max(carrier.registration.kind.power_mw, default=50) for carrier in on_air]
    step = [power.get(carrier.code) or full[row] for row, carrier in enumerate(on_air)]
    return Plan(
        hz=np.array([hertz[carrier.code] for carrier in on_air], np.int64),
        service=np.array([number[model.service(carrier)] for carrier in on_air], np.int64),
        on=on,
        power_db=np.asarray(dbm(np.array(step, float)) - dbm(np.array(full, float))),
    )


def _margin(
    model: Sited,
    plan: Plan,
    found: Margins,
    link: int,
    on_air: list[Carrier],
    disturbing: Iterable[Contributor],
) -> Margin:
    return Margin(
        place=model.site.places[int(found.place[link])].id,
        wanted_dbm=float(found.wanted_dbm[link]),
        noise_dbm=float(found.noise_dbm[link]),
        interference_dbm=float(
            power_sum_dbm(np.array([found.cochannel_dbm[link], found.adjacent_dbm[link]]))
        ),
        products_dbm=float(found.products_dbm[link]),
        needs_db=float(
            model.site.kind_of[model.site.services[plan.service[found.carrier[link]]].kind].protection
        ),
        margin_db=int(found.margin_db[link]),
        usual_margin_db=int(found.usual_margin_db[link]),
        disturbed_by=tuple(
            (row.level_dbm, tuple(on_air[i].code for i in row.carriers), row.family) for row in disturbing
        ),
    )
