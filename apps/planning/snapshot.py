"""From an event's rows to the solver's problem (planning-problem/1): the only place where radio and solver meet people.

Freezing takes accepted registrations that are permitted here, and every carrier whose assignment is agreed, whatever
became of its line meanwhile: nobody else may get its frequency. Locked ones are fixed, approved ones are where they
would rather stay; proposed ones are too in a repair.
"""

import math
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import combinations_with_replacement, pairwise
from typing import Any

from apps.events.models import Event, Zone
from apps.planning.models import Assignment
from apps.planning.siting import solver_kind
from apps.planning.states import AGREED, AssignmentState
from apps.radio.propagation import free_space_db
from apps.radio.rasters import channel_at, channel_edges
from apps.registry import tuning
from apps.registry.models import Carrier, Change, Registration
from apps.registry.queries import asked_tuning
from apps.registry.rules import permission
from apps.registry.states import RegistrationState
from apps.spectrum.rulesets import Ruleset, ruleset

MAIN_LAST, SPARE = 8, 9  # a spare is placed after every main
SLOT_STEP = timedelta(minutes=5)  # hours are widened outward to whole steps …
SLOT_MARGIN = timedelta(minutes=10)  # … after this much before switch-on and after switch-off
REFERENCE_HZ = 600_000_000  # path losses between zones are taken here; only their differences count
BREAKPOINT_M = 60.0  # beyond it a path over ground at head height falls with 40 log d (plane earth)
WALL_DB = 14.0  # median building entry loss of traditional buildings near 600 MHz, ITU-R P.2109-2
HEARD_DB = -50.0  # fainter carriers cannot reach the product limit of -40 dB, whatever they meet
PRODUCT_LIMIT_DB = -40.0
OUTSIDER_KIND = "outsider"
# Smallest distance between carriers of two zones, as a share of that within one zone, by how loud one hears the other.
# Common practice, no source; the model of emission masks and receiver filters replaces it.
SPACING_SHARES = ((-20.0, 1.0), (-40.0, 0.6), (HEARD_DB, 0.4))


@dataclass(frozen=True)
class Snapshot:
    """A frozen problem, and what adopting its result needs to know.

    versions: {carrier code: version of its assignment, 0 where it had none} at the moment of freezing.
    power_mw: {carrier code: conducted power to set}.
    """

    problem: dict[str, Any]
    versions: dict[str, int]
    power_mw: dict[str, float | None]


def freeze(event: Event, *, repair: bool = False, all_movable: bool = False) -> Snapshot:
    """Freeze the event as a problem.

    `all_movable` leaves out what is fixed and where carriers were: the form in which a recount judges the plan, so
    that locked frequencies are judged like all others. Outsiders are fixed in any case.
    """
    law = ruleset(event.ruleset)
    carriers = standing_carriers(event)
    assigned = {row.carrier_id: row for row in Assignment.objects.filter(event=event)}
    zones = list(event.zones.order_by("code"))
    outsiders = list(event.outsiders.select_related("zone"))
    slots = Slots.of(carriers)
    rows, powers = [], {}
    for carrier in carriers:
        row, powers[carrier.code] = _carrier_row(carrier, law, slots)
        assignment = assigned.get(carrier.pk)
        if all_movable:
            row = {name: value for name, value in row.items() if name not in ("fixed_hz", "previous_hz")}
        elif assignment:
            row.update(_held(assignment, repair))
        rows.append(row)
    levels = levels_between(zones)
    problem = {
        "format": "planning-problem/1",
        "zones": [
            {
                "id": a.code,
                "hears": {
                    b.code: levels[a.code, b.code] for b in zones if levels[a.code, b.code] >= HEARD_DB
                },
            }
            for a in zones
        ],
        "slots": slots.names,
        "carriers": rows + [_outsider_row(outsider) for outsider in outsiders],
        "separations": _separations(carriers, zones, levels) + _spare_distances(carriers, rows, law),
        "blocked": [
            {"id": taken.label, "low_hz": taken.low_hz, "high_hz": taken.high_hz}
            for taken in event.occupied.all()
        ],
        "pairs": _pairs(carriers),
        "products": _products(carriers),
    }
    versions = {
        carrier.code: assigned[carrier.pk].version if carrier.pk in assigned else 0 for carrier in carriers
    }
    return Snapshot(problem, versions, powers)


def standing_carriers(event: Event) -> list[Carrier]:
    """The carriers that a run would take up, in the order of their codes."""
    found = (
        Carrier.objects.filter(event=event, withdrawn=False)
        .select_related("role", "spare_of", "assignment", "registration__department", "registration__zone")
        .select_related("registration__kind")
        .prefetch_related("registration__kind__roles")
        .order_by("code")
    )
    return [carrier for carrier in found if _stands(carrier)]


def _stands(carrier: Carrier) -> bool:
    registration = carrier.registration
    assignment = getattr(carrier, "assignment", None)
    if assignment is not None and assignment.state in AGREED:
        return True
    return registration.state == RegistrationState.ACCEPTED and not registration.not_permitted


def _carrier_row(carrier: Carrier, law: Ruleset, slots: "Slots") -> tuple[dict[str, Any], float | None]:
    registration, role = carrier.registration, carrier.role
    spare = carrier.spare_of_id is not None
    allowed = permission(law, registration.kind, role, _asked(carrier), registration.power_mw)
    row: dict[str, Any] = {
        "id": carrier.code,
        "zone": registration.zone.code,
        "kind": solver_kind(carrier),
        "tuning": allowed.tuning,
        "bandwidth_hz": role.bandwidth_hz,
        "priority": SPARE if spare else min(registration.priority, MAIN_LAST),
    }
    if when := slots.of_registration(registration):
        row["slots"] = when
    if not role.mixes:
        row["mixes"] = False
    if registration.fixed_hz and not spare and carrier.position == 1:
        key = "fixed_hz" if registration.can_change == Change.NO else "previous_hz"
        if role.position == 1 or role.offset_hz is not None:
            row[key] = registration.fixed_hz + (role.offset_hz or 0)
    if "fixed_hz" in row and not allowed.tuning:
        del row["fixed_hz"]
    return row, allowed.power_mw


def _asked(carrier: Carrier) -> list[tuning.Range]:
    """A spare is not bound to the frequency that its main brings along."""
    registration, role = carrier.registration, carrier.role
    if carrier.spare_of_id is None:
        return asked_tuning(registration, role)
    return tuning.narrowed(role.tuning, registration.low_hz, registration.high_hz)


def _held(assignment: Assignment, repair: bool) -> dict[str, int]:
    if assignment.state == AssignmentState.LOCKED:
        return {"fixed_hz": assignment.frequency_hz}
    if assignment.state == AssignmentState.APPROVED or repair:
        return {"previous_hz": assignment.frequency_hz}
    return {}


def _outsider_row(outsider: Any) -> dict[str, Any]:
    at = outsider.frequency_hz
    return {
        "id": outsider.code,
        "zone": outsider.zone.code,
        "kind": OUTSIDER_KIND,
        "tuning": [{"low_hz": at, "high_hz": at, "step_hz": 1}],
        "bandwidth_hz": outsider.bandwidth_hz,
        "level_db": outsider.level_db,
        "priority": SPARE,
        "fixed_hz": at,
    }


# -- time -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Slots:
    """The event's time cut where the set of carriers on the air changes, without stretches contained in another."""

    names: list[str]
    _of: dict[int, list[str]]

    @classmethod
    def of(cls, carriers: Iterable[Carrier]) -> "Slots":
        """Only departments that share time go off the air; all others are taken to be on always."""
        hours = {
            c.registration_id: _widened(c.registration)
            for c in carriers
            if c.registration.starts_at is not None and c.registration.department.shares_time
        }
        cuts = sorted({moment for spans in hours.values() for span in spans for moment in span})
        stretches = list(pairwise(cuts))
        on = [
            frozenset(key for key, spans in hours.items() if any(a <= start and end <= b for a, b in spans))
            for start, end in stretches
        ]
        kept = [i for i, who in enumerate(on) if who and not _contained(i, on)]
        names = {i: f"{stretches[i][0]:%Y-%m-%dT%H:%MZ}" for i in kept}
        of = {key: [names[i] for i in kept if key in on[i]] for key in hours}
        return cls(list(names.values()), of)

    def of_registration(self, registration: Registration) -> list[str]:
        return self._of.get(registration.pk, [])


def _widened(registration: Registration) -> list[tuple[datetime, datetime]]:
    return [(_floor(start - SLOT_MARGIN), _ceil(end + SLOT_MARGIN)) for start, end in registration.hours]


def _floor(moment: datetime) -> datetime:
    step = SLOT_STEP.total_seconds()
    return datetime.fromtimestamp(math.floor(moment.timestamp() / step) * step, UTC)


def _ceil(moment: datetime) -> datetime:
    step = SLOT_STEP.total_seconds()
    return datetime.fromtimestamp(math.ceil(moment.timestamp() / step) * step, UTC)


def _contained(i: int, on: list[frozenset[int]]) -> bool:
    """Whether another stretch has all of these on the air too; of equal ones the first stays."""
    return any(on[i] < other or (on[i] == other and j < i) for j, other in enumerate(on) if j != i)


# -- space ----------------------------------------------------------------------------------


def levels_between(zones: list[Zone]) -> dict[tuple[str, str], float]:
    """How loud zone a hears the devices of zone b, in dB against its own at their usual distance; never above 0."""
    return {(a.code, b.code): 0.0 if a is b else _level_db(a, b) for a in zones for b in zones}


def zones_in_earshot(event: Event) -> dict[str, set[str]]:
    """{zone: the zones whose devices its receivers hear}, itself among them."""
    levels = levels_between(list(event.zones.order_by("code")))
    near: dict[str, set[str]] = defaultdict(set)
    for (listener, sender), level in levels.items():
        if level >= HEARD_DB:
            near[listener].add(sender)
    return dict(near)


def _level_db(a: Zone, b: Zone) -> float:
    distance_m = math.dist((a.east_m, a.north_m), (b.east_m, b.north_m))
    walls = a.indoor + b.indoor
    loss_db = _loss_db(max(distance_m, a.own_distance_m)) - _loss_db(a.own_distance_m) + WALL_DB * walls
    return round(-loss_db, 1) + 0.0


def _loss_db(distance_m: float) -> float:
    beyond = max(0.0, 20 * math.log10(distance_m / BREAKPOINT_M))
    return float(free_space_db(REFERENCE_HZ, distance_m)) + beyond


# -- rules ----------------------------------------------------------------------------------


def _separations(
    carriers: list[Carrier], zones: list[Zone], levels: dict[tuple[str, str], float]
) -> list[dict[str, Any]]:
    """Rows for the kinds that really stand in two zones that hear each other."""
    there: dict[str, dict[str, Carrier]] = defaultdict(dict)
    for carrier in carriers:
        there[carrier.registration.zone.code][solver_kind(carrier)] = carrier
    rows: dict[tuple[str, str, str, str], int] = {}
    for a, b in combinations_with_replacement(zones, 2):
        loudest = max(levels[a.code, b.code], levels[b.code, a.code])
        share = next((share for above, share in SPACING_SHARES if loudest >= above), None)
        if share is None:
            continue
        for p, one in there[a.code].items():
            for q, other in there[b.code].items():
                if a is b and p > q:
                    continue
                rows[a.code, b.code, p, q] = _spacing_hz(one, other, share)
    return [{"zones": [a, b], "kinds": [p, q], "min_hz": hz} for (a, b, p, q), hz in rows.items()]


def _spacing_hz(one: Carrier, other: Carrier, share: float) -> int:
    widths = (one.role.bandwidth_hz + other.role.bandwidth_hz + 1) // 2
    return max(widths, math.ceil(max(one.role.spacing_hz, other.role.spacing_hz) * share))


def _spare_distances(
    carriers: list[Carrier], rows: list[dict[str, Any]], law: Ruleset
) -> list[dict[str, Any]]:
    """A spare stays a television channel away from its main, where what it tunes leaves room for that."""
    tunings = {row["id"]: row["tuning"] for row in rows}
    found = []
    for carrier in carriers:
        main = carrier.spare_of
        if main is None or main.code not in tunings:
            continue
        width = _channel_width_hz(law, tunings[carrier.code])
        if width:
            found.append({"carriers": [main.code, carrier.code], "min_hz": width})
    return found


def _channel_width_hz(law: Ruleset, ranges: list[tuning.Range]) -> int:
    if not ranges:
        return 0
    low, high = min(part["low_hz"] for part in ranges), max(part["high_hz"] for part in ranges)
    for raster in law.television_rasters:
        channel = channel_at(raster, low)
        if channel:
            bottom, top = channel_edges(raster, channel)
            return top - bottom if high - low >= 3 * (top - bottom) else 0
    return 0


def _pairs(carriers: list[Carrier]) -> list[dict[str, Any]]:
    """Roles at an offset keep it to the first role of their set."""
    sets: dict[tuple[int, bool, int], dict[int, Carrier]] = defaultdict(dict)
    for carrier in carriers:
        sets[carrier.registration_id, carrier.spare_of_id is not None, carrier.position][
            carrier.role.position
        ] = carrier
    return [
        {"carriers": [members[1].code, member.code], "offset_hz": member.role.offset_hz}
        for members in sets.values()
        for place, member in sorted(members.items())
        if place > 1 and member.role.offset_hz is not None and 1 in members
    ]


def _products(carriers: list[Carrier]) -> list[dict[str, Any]]:
    """One rule per family, guard and kind that asks for it: two-letter third order forbidden, the rest costs.

    A kind's rule names that kind alone, so that it reads the same in any part of the event.
    """
    asked = {
        (family, guard_hz, solver_kind(carrier))
        for carrier in carriers
        for family, guard_hz in carrier.role.guards_hz.items()
        if guard_hz
    }
    weights = {"A+B-C": 1.0, "3A-2B": 0.3}
    return [
        {
            "family": family,
            "guard_hz": guard_hz,
            "limit_db": PRODUCT_LIMIT_DB,
            "kinds": [kind],
            **(
                {"treatment": "forbid"}
                if family == "2A-B"
                else {"treatment": "penalise", "weight": weights.get(family, 0.1)}
            ),
        }
        for family, guard_hz, kind in sorted(asked)
    ]
