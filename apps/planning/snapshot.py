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
from itertools import pairwise
from typing import Any

from apps.events.models import Event
from apps.planning import band_plan, demanding, limits
from apps.planning.listening import noise_rows
from apps.planning.models import Assignment
from apps.planning.siting import sited, solver_kind, zone_of
from apps.planning.states import AGREED, AssignmentState
from apps.radio.rasters import channel_at, channel_edges
from apps.registry import tuning
from apps.registry.models import Carrier, Change, Registration
from apps.registry.queries import asked_tuning
from apps.registry.rules import Allowed, BandPlan, Granted, Kept, Rooms, let_in, permission
from apps.registry.states import RegistrationState
from apps.spectrum.models import Occupied, Outsider
from apps.spectrum.rulesets import Ruleset, ruleset

MAIN_LAST, SPARE = 8, 9  # a spare is placed after every main
SLOT_STEP = timedelta(minutes=5)  # hours are widened outward to whole steps …
SLOT_MARGIN = timedelta(minutes=10)  # … after this much before switch-on and after switch-off
OUTSIDER_KIND = "outsider"


@dataclass(frozen=True)
class Snapshot:
    """A frozen problem, and what adopting its result needs to know.

    versions: {carrier code: version of its assignment, 0 where it had none} at the moment of freezing.
    power_mw: {carrier code: conducted power to set}.
    kept: {carrier code: what the band plan and the line's own limits took of its tuning, as causes of being left out}.
    """

    problem: dict[str, Any]
    versions: dict[str, int]
    power_mw: dict[str, float | None]
    kept: dict[str, list[dict[str, Any]]]


def freeze(event: Event, *, repair: bool = False, all_movable: bool = False) -> Snapshot:
    """Freeze the event as a problem.

    `all_movable` leaves out what is fixed and where carriers were: the form in which a recount judges the plan, so
    that locked frequencies are judged like all others. Outsiders are fixed in any case.
    """
    law, granted, plan = ruleset(event.ruleset), Granted(event), BandPlan(event)
    carriers = standing_carriers(event)
    assigned = {row.carrier_id: row for row in Assignment.objects.filter(event=event)}
    outsiders, occupied = list(event.outsiders.select_related("zone")), list(event.occupied.all())
    slots = Slots.of(carriers, outsiders, occupied)
    model = sited(event, carriers)
    levels = {(level.service.kind, level.service.sent_from): level.level_db for level in model.demands.levels}
    rows, powers, kept = [], {}, {}
    settled: list[tuple[Carrier, int]] = []
    for carrier in carriers:
        row, powers[carrier.code], kept[carrier.code] = _carrier_row(carrier, law, granted, plan, slots)
        service = model.service(carrier)
        row |= {
            "zone": service.sent_from[0],
            "received_in": demanding.received_in(model, service),
            "level_db": demanding.rounded(levels[service.kind, service.sent_from]),
        }
        assignment = assigned.get(carrier.pk)
        brought = row.get("fixed_hz")
        if all_movable:
            row = {name: value for name, value in row.items() if name not in ("fixed_hz", "previous_hz")}
        elif assignment:
            row.update(_held(assignment, repair))
        # What the plan itself chose is settled for the next run only: this one could not have known.
        if hertz := row.get("fixed_hz", brought):
            settled.append((carrier, hertz))
        rows.append(row)
    places = demanding.places(model, [f"{outsider.zone.code}/bodies" for outsider in outsiders])
    problem = {
        "format": "planning-problem/1",
        "zones": places,
        "slots": slots.names,
        "carriers": rows + [_outsider_row(outsider, slots) for outsider in outsiders],
        "separations": demanding.separations(carriers, model) + _spare_distances(carriers, rows, law),
        "blocked": _blocked(occupied, [place["id"] for place in places], slots)
        + demanding.harmonics(model, settled),
        "pairs": _pairs(carriers),
        "products": demanding.products(model),
    }
    if not all_movable:  # what surveys say is a wish, and a recount asks for none
        problem["noise"] = noise_rows(event, model, problem)
    versions = {
        carrier.code: assigned[carrier.pk].version if carrier.pk in assigned else 0 for carrier in carriers
    }
    if not all_movable:
        kept = limits.with_limits(kept, carriers, Rooms(event))
        problem = band_plan.prefer(problem, carriers, plan)
    return Snapshot(problem, versions, powers, {code: taken for code, taken in kept.items() if taken})


def standing_carriers(event: Event) -> list[Carrier]:
    """The carriers that a run would take up, in the order of their codes."""
    # Fetched apart, a line is built once for all its carriers.
    lines = Registration.objects.filter(event=event).select_related("department", "zone", "kind")
    known = {line.pk: line for line in lines.prefetch_related("kind__roles")}
    found = Carrier.objects.filter(event=event, withdrawn=False).select_related("assignment", "spare_of")
    found = found.prefetch_related("role").order_by("code")
    for carrier in found:
        carrier.registration = known[carrier.registration_id]
    return [carrier for carrier in found if _stands(carrier)]


def zones_in_earshot(event: Event) -> dict[str, set[str]]:
    """{zone: the zones whose devices some of its receivers hear}, itself among them."""
    near = {zone.code: {zone.code} for zone in event.zones.all()}
    for heard in sited(event, standing_carriers(event)).demands.heard:
        near[zone_of(heard.receiver)].add(zone_of(heard.sender))
    return near


def _stands(carrier: Carrier) -> bool:
    registration = carrier.registration
    assignment = getattr(carrier, "assignment", None)
    if assignment is not None and assignment.state in AGREED:
        return True
    return registration.state == RegistrationState.ACCEPTED and not registration.not_permitted


def _carrier_row(
    carrier: Carrier, law: Ruleset, granted: Granted, plan: BandPlan, slots: "Slots"
) -> tuple[dict[str, Any], float | None, list[dict[str, Any]]]:
    registration, role = carrier.registration, carrier.role
    spare = carrier.spare_of_id is not None
    allowed, tuned, kept = _tuned(carrier, _asked(carrier), law, granted, plan)
    row: dict[str, Any] = {
        "id": carrier.code,
        "kind": solver_kind(carrier),
        "tuning": tuned,
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
    if carrier.previous_hz and "fixed_hz" not in row:
        row.setdefault("previous_hz", carrier.previous_hz)
    if "fixed_hz" in row and not tuned:
        del row["fixed_hz"]
    return row, allowed.power_mw, band_plan.causes(kept, tuning.points(allowed.tuning))


def _tuned(
    carrier: Carrier, asked: list[tuning.Range], law: Ruleset, granted: Granted, plan: BandPlan
) -> tuple[Allowed, list[tuning.Range], list[Kept]]:
    """Of what is asked for what is permitted, and what the band plan and the filter before its receiver leave of that."""
    line, role = carrier.registration, carrier.role
    allowed = permission(law, line.kind, role, asked, line.power_mw, granted, line)
    tuned, kept = plan.narrow(line, allowed.tuning, role.bandwidth_hz)
    tuned, shut_out = let_in(granted.antennas.get(line.zone_id), role, tuned)
    return allowed, tuned, [*kept, *shut_out]


def beyond_limits(event: Event, lines: Iterable[int]) -> dict[str, list[tuning.Range]]:
    """What the carriers of these lines could be tuned to if their lines did not limit them."""
    law, granted, plan = ruleset(event.ruleset), Granted(event), BandPlan(event)
    limited = [
        carrier
        for carrier in standing_carriers(event)
        if (line := carrier.registration).pk in lines and (line.low_hz or line.high_hz)
    ]
    for carrier in limited:  # lines that were read for this alone, and that nobody saves
        carrier.registration.low_hz = carrier.registration.high_hz = None
    return {carrier.code: _tuned(carrier, _asked(carrier), law, granted, plan)[1] for carrier in limited}


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


def _outsider_row(outsider: Outsider, slots: "Slots") -> dict[str, Any]:
    at, when = outsider.frequency_hz, slots.of_outsider(outsider)
    return {
        **({"slots": when} if when else {}),
        "id": outsider.code,
        "zone": f"{outsider.zone.code}/bodies",
        "kind": OUTSIDER_KIND,
        "tuning": [{"low_hz": at, "high_hz": at, "step_hz": 1}],
        "bandwidth_hz": outsider.bandwidth_hz,
        "level_db": outsider.level_db,
        "priority": SPARE,
        "fixed_hz": at,
    }


def _blocked(occupied: Iterable[Occupied], places: list[str], slots: "Slots") -> list[dict[str, Any]]:
    """Taken ranges, each at all places of the zones that it is limited to; one where nothing is sent or received binds nobody."""
    rows = []
    for taken in occupied:
        row: dict[str, Any] = {"id": taken.label, "low_hz": taken.low_hz, "high_hz": taken.high_hz}
        if taken.zones:
            row["zones"] = [place for place in places if zone_of(place) in taken.zones]
        if when := slots.of_occupied(taken):
            row["slots"] = when
        if row.get("zones", places):
            rows.append(row)
    return rows


# -- time -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Slots:
    """The event's time cut where the set of carriers on the air changes, without stretches contained in another."""

    names: list[str]
    _of: dict[int | str, list[str]]

    @classmethod
    def of(
        cls,
        carriers: Iterable[Carrier],
        outsiders: Iterable[Outsider] = (),
        occupied: Iterable[Occupied] = (),
    ) -> "Slots":
        """Only departments that share time, and what others use at known hours, go off the air; all else is on always."""
        hours: dict[int | str, list[tuple[datetime, datetime]]] = {
            o.code: _widened([(o.starts_at, o.ends_at)]) for o in outsiders if o.starts_at and o.ends_at
        }
        hours |= {
            _key(o): _widened([(o.starts_at, o.ends_at)]) for o in occupied if o.starts_at and o.ends_at
        }
        hours |= {
            c.registration_id: _widened(c.registration.hours)
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

    def of_outsider(self, outsider: Outsider) -> list[str]:
        return self._of.get(outsider.code, [])

    def of_occupied(self, taken: Occupied) -> list[str]:
        return self._of.get(_key(taken), [])


def _key(taken: Occupied) -> str:
    return f"taken range {taken.pk}"


def _widened(hours: Iterable[tuple[datetime, datetime]]) -> list[tuple[datetime, datetime]]:
    return [(_floor(start - SLOT_MARGIN), _ceil(end + SLOT_MARGIN)) for start, end in hours]


def _floor(moment: datetime) -> datetime:
    step = SLOT_STEP.total_seconds()
    return datetime.fromtimestamp(math.floor(moment.timestamp() / step) * step, UTC)


def _ceil(moment: datetime) -> datetime:
    step = SLOT_STEP.total_seconds()
    return datetime.fromtimestamp(math.ceil(moment.timestamp() / step) * step, UTC)


def _contained(i: int, on: list[frozenset[int | str]]) -> bool:
    """Whether another stretch has all of these on the air too; of equal ones the first stays."""
    return any(on[i] < other or (on[i] == other and j < i) for j, other in enumerate(on) if j != i)


# -- rules ----------------------------------------------------------------------------------


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
