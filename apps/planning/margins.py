"""What the plan leaves over: for each placed carrier wanted level, noise, interference and products, and the rest in dB.

Models predict medians over many places; a margin is a reason to look, not a promise. Measure on site.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.core.cache import cache

from apps.events.models import Event
from apps.planning.models import Assignment
from apps.planning.siting import Sited, in_words, sited
from apps.planning.snapshot import Slots, standing_carriers
from apps.radio.margins import Plan, contributors, margins
from apps.radio.units import dbm, power_sum_dbm
from apps.registry.models import Carrier

WORST = 3


@dataclass(frozen=True)
class Margin:
    """One carrier where it is worst off. Levels in dBm at the antenna's terminals; margins in whole dB.

    `margin_db`: wanted at its weakest and faded, the worst interferer at its strongest; `usual_margin_db`: all at their
    usual level. `disturbed_by`: (level in dBm, carriers, family of a product or ""), the strongest first.
    """

    place: str
    wanted_dbm: float
    noise_dbm: float
    interference_dbm: float
    products_dbm: float
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
            "place": self.place,
            "wanted_dbm": _tenth(self.wanted_dbm),
            "noise_dbm": _tenth(self.noise_dbm),
            "interference_dbm": _tenth(self.interference_dbm),
            "products_dbm": _tenth(self.products_dbm),
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


def margins_of(
    event: Event, placed: Mapping[str, int] | None = None, *, named: bool = True
) -> dict[str, Margin]:
    """The margin of every carrier that has a frequency, or of `placed` ({carrier: hertz}) instead of the plan.

    `named` also finds who disturbs each most; leave it out for a plain list.
    """
    carriers = standing_carriers(event)
    rows = Assignment.objects.filter(event=event).values_list("carrier__code", "frequency_hz", "power_mw")
    power = {code: milliwatts for code, _, milliwatts in rows}
    hertz = dict(placed) if placed is not None else {code: hz for code, hz, _ in rows}
    on_air = [carrier for carrier in carriers if carrier.code in hertz]
    if not on_air:
        return {}
    model = sited(event, carriers)
    plan = _plan(model, on_air, hertz, power, Slots.of(carriers))
    found = margins(model.site, plan)
    worst: dict[int, int] = {}
    for link, carrier in enumerate(found.carrier):
        if int(carrier) not in worst or found.margin_db[link] < found.margin_db[worst[int(carrier)]]:
            worst[int(carrier)] = link
    return {on_air[i].code: _margin(model, plan, found, link, on_air, named) for i, link in worst.items()}


def standing_margins(event: Event, placed: Mapping[str, int] | None = None) -> dict[str, Margin]:
    """The margins of the plan as it stands, or of `placed`, without names; kept until the event's revision rises."""
    which = "" if placed is None else hashlib.sha256(repr(sorted(placed.items())).encode()).hexdigest()
    key = f"margins:{event.pk}:{event.created_at.timestamp()}:{event.revision}:{which}"
    kept: dict[str, Margin] | None = cache.get(key)
    if kept is None:
        kept = margins_of(event, placed, named=False)
        cache.set(key, kept, timeout=3600)
    return kept


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


def _margin(model: Sited, plan: Plan, found: Any, link: int, on_air: list[Carrier], named: bool) -> Margin:
    who = contributors(model.site, plan, found, link, WORST) if named else []
    return Margin(
        place=in_words(model.site.places[int(found.place[link])].id),
        wanted_dbm=float(found.wanted_dbm[link]),
        noise_dbm=float(found.noise_dbm[link]),
        interference_dbm=float(
            power_sum_dbm(np.array([found.cochannel_dbm[link], found.adjacent_dbm[link]]))
        ),
        products_dbm=float(found.products_dbm[link]),
        margin_db=int(found.margin_db[link]),
        usual_margin_db=int(found.usual_margin_db[link]),
        disturbed_by=tuple(
            (row.level_dbm, tuple(on_air[i].code for i in row.carriers), row.family) for row in who
        ),
    )
