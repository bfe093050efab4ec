"""The plan turned into the lines of an edition: every value that a person on site needs, as it stands at this moment."""

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from apps.events.actors import Actor, reader_of
from apps.events.models import Department, Event, Person
from apps.planning.margins import Margin
from apps.planning.models import Acceptance, Assignment
from apps.planning.outlook import FINE, expectation, outlook
from apps.planning.queries import PlanRow, Redaction, plan_rows
from apps.planning.reasons import in_short
from apps.planning.snapshot import zones_in_earshot
from apps.planning.states import AGREED
from apps.planning.verdicts import Breach, Recount
from apps.publishing.rendering import megahertz
from apps.radio.rasters import channel_at
from apps.registry.asking import in_words, standing_on
from apps.registry.models import Kind, Registration
from apps.registry.queries import carriers_of
from apps.registry.rules import Granted
from apps.spectrum.models import Outsider
from apps.spectrum.rulesets import Ruleset, ruleset

OUTSIDER = "outsider"


@dataclass(frozen=True)
class Counted:
    """What the model says of what is agreed: the rules that it breaks, and the margins that are left."""

    recount: Recount
    margins: Mapping[str, Margin]


def lines_of(
    actor: Actor, department: Department | None = None, counted: Counted | None = None
) -> list[dict[str, Any]]:
    """One line per unit of the event or of one department, in the order of zone and carrier; outsiders at the end.

    A carrier that nobody agreed to yet, that was left out or is not permitted here, stands with its reason and
    without a frequency: it must stay off. `counted` speaks of what is agreed: what is signed for in it stands on the
    lines of all that it concerns, in the words that each department may read. Without it the lines hold what people
    set and nothing of the model, which is enough, and quick, to see what would change.
    """
    event, law = actor.event, ruleset(actor.event.ruleset)
    carriers = carriers_of(actor).prefetch_related("units", "registration__kind__roles")
    if department is not None:
        carriers = carriers.filter(registration__department=department)
    eyes: dict[int, Redaction] = {}
    rows = [_as_its_department_may_know(row, event, eyes) for row in plan_rows(actor, carriers)]
    agreed = {
        row.carrier.code: row.assignment.frequency_hz for row in rows if _agreed(row) and row.assignment
    }
    spares: dict[str, list[str]] = defaultdict(list)
    for row in rows:
        if row.carrier.spare_of and row.carrier.code in agreed:
            spares[row.carrier.spare_of.code].append(
                f"{row.carrier.code}: {megahertz(agreed[row.carrier.code])} MHz"
            )
    papers = _Papers(event)
    near = Neighbours(event)
    left_over = counted.margins if counted else {}
    accepted = Accepted(event, counted.recount, eyes) if counted else None
    found = [
        {
            **line,
            "margin": margin.words if margin else "",
            "outlook": outlook(margin) if margin else "",
            "at_risk_from": _at_risk_from(eyes_of(row, event, eyes), margin) if margin else (),
            "accepted": accepted.of(row) if accepted else (),
        }
        for row in rows
        for margin in [left_over.get(row.carrier.code)]
        for line in _lines(row, law, tuple(spares[row.carrier.code]), near, papers(row.carrier.registration))
        if not row.carrier.withdrawn
    ]
    found.sort(key=_as_counted)
    return found if department is not None else found + [_outsider(row, law) for row in _outsiders(event)]


class Accepted:
    """The breaches that coordinators signed for, by carrier, as each department may read of them."""

    def __init__(self, event: Event, counted: Recount, eyes: dict[int, Redaction]) -> None:
        self._event, self._eyes = event, eyes
        signers = {acceptance.accepted_by for _, acceptance in counted.signed}
        self._names = dict(Person.objects.filter(email__in=signers).values_list("email", "name"))
        self._by_carrier: dict[str, list[tuple[Breach, Acceptance]]] = defaultdict(list)
        for breach, acceptance in counted.signed:
            for code in breach.carriers:
                self._by_carrier[code].append((breach, acceptance))

    def of(self, row: PlanRow) -> tuple[str, ...]:
        """Breach by breach; those of one signature stand together, who signed and why at the first of them."""
        signed: dict[tuple[str, str], list[str]] = defaultdict(list)
        for breach, acceptance in self._by_carrier[row.carrier.code]:
            signed[self._signature(acceptance), acceptance.reason].append(self._in_words(row, breach))
        told: list[str] = []
        for (signature, reason), (first, *others) in signed.items():
            told.append(f"accepted by {signature}: {first}. Why: {reason}")
            told += [f"accepted likewise: {words}" for words in dict.fromkeys(others) if words != first]
        return tuple(told)

    def _signature(self, acceptance: Acceptance) -> str:
        name = self._names.get(acceptance.accepted_by, acceptance.accepted_by)
        if not acceptance.until:
            return name
        return f"{name} until {acceptance.until.astimezone(ZoneInfo(self._event.timezone)):%a %d %b %Y %H:%M}"

    def _in_words(self, row: PlanRow, breach: Breach) -> str:
        """What is broken, as its department may read it, and what to expect of that."""
        words = eyes_of(row, self._event, self._eyes).breach(breach).removesuffix(".")
        return f"{words}; {expectation(breach.rule, suffers=row.carrier.code == breach.carriers[0])}"


def eyes_of(row: PlanRow, event: Event, eyes: dict[int, Redaction]) -> Redaction:
    """The eyes of a carrier's department."""
    key = row.carrier.registration.department_id
    if key not in eyes:
        eyes[key] = Redaction(reader_of(event, key))
    return eyes[key]


def agreed_frequencies(event: Event) -> dict[str, int]:
    """{carrier: hertz} of what coordinators agreed to, whoever it belongs to."""
    agreed = Assignment.objects.filter(event=event, state__in=AGREED, carrier__withdrawn=False)
    return dict(agreed.values_list("carrier__code", "frequency_hz"))


def _as_its_department_may_know(row: PlanRow, event: Event, eyes: dict[int, Redaction]) -> PlanRow:
    """Paper goes to the department, whoever publishes: of others its reasons say no more than its lead may know."""
    left = getattr(row.carrier, "left_out", None)
    if left is None:
        return row
    return replace(row, blocked_by=eyes_of(row, event, eyes).reasons(row.carrier, left.blocked_by))


def _as_counted(line: dict[str, Any]) -> tuple[str | int, ...]:
    """Device 2 before device 10."""
    code, unit = line["carrier"], line["unit"]
    return line["department"], line["zone"], len(code), code, len(unit), unit


def _at_risk_from(eyes: Redaction, margin: Margin) -> tuple[str, ...]:
    """Nobody where there is enough left: then there is nothing to try out."""
    return () if outlook(margin) == FINE else eyes.at_risk_from(margin)


def _agreed(row: PlanRow) -> bool:
    return row.assignment is not None and row.assignment.state in AGREED


def _lines(
    row: PlanRow, law: Ruleset, spares: tuple[str, ...], near: "Neighbours", papers: list[str]
) -> Iterable[dict[str, Any]]:
    carrier, registration, assignment = row.carrier, row.carrier.registration, row.assignment
    kind, hertz = registration.kind, assignment.frequency_hz if assignment and _agreed(row) else None
    common = {
        "carrier": carrier.code,
        "department": registration.department.code,
        "department_name": registration.department.name,
        "zone": registration.zone.code,
        "zone_name": registration.zone.name,
        "label": registration.label,
        "kind": kind.code,
        "kind_name": kind.name,
        "role": carrier.role.code,
        "role_name": carrier.role.name,
        "frequency_hz": hertz,
        "channel": channel_of(law, hertz) if hertz else "",
        "bandwidth_hz": carrier.role.bandwidth_hz,
        "power_mw": assignment.power_mw if assignment and hertz else None,
        **_settings(kind, registration.settings),
        "spare_of": carrier.spare_of.code if carrier.spare_of else "",
        "spares": spares,
        "starts_at": registration.starts_at.isoformat() if registration.starts_at else None,
        "ends_at": registration.ends_at.isoformat() if registration.ends_at else None,
        "stretches": registration.stretches,
        "cells": kind.cells,
        "running_h": kind.running_h,
        "status": row.state if hertz or row.state != "proposed" else "not agreed yet",
        "reason": _reason(row),
        "beware": near.of(carrier.code) if hertz else (),
        "contact": registration.contact,
        "notes": "\n".join(filter(None, [*papers, registration.notes])),
        "margin": "",
        "outlook": "",
        "at_risk_from": (),
        "accepted": (),
    }
    for unit in carrier.units.all():
        if not unit.withdrawn:
            number = f"{carrier.code}/{unit.number}"
            yield {
                **common,
                "unit": number,
                "unit_label": f"{registration.label} {number}",
                "unit_key": unit.key,
            }


def channel_of(law: Ruleset, hertz: int) -> str:
    """The television channel of a frequency, by the rasters of the ruleset; empty outside them."""
    return next((channel for raster in law.television_rasters if (channel := channel_at(raster, hertz))), "")


def _settings(kind: Kind, given: dict[str, str]) -> dict[str, tuple[Any, ...]]:
    """What the kind asks for, in its order, then whatever else the line said; what nobody filled in stays open."""
    asked = [*kind.settings, *kind.settings_at_one_end]
    further = tuple(name for name in given if name not in asked)
    return {
        "settings": tuple((name, given.get(name, "")) for name in (*asked, *further)),
        "at_one_end": tuple(kind.settings_at_one_end),
        "further": further,
    }


def _reason(row: PlanRow) -> str:
    registration = row.carrier.registration
    if registration.not_permitted:
        return f"Not permitted here: {registration.not_permitted}"
    if row.assignment is not None:
        return row.assignment.reason if _agreed(row) else "Not agreed by a coordinator yet."
    if not row.blocked_by:
        return "Registered after the last plan; no frequency yet."
    return f"Left out: {in_short(row.blocked_by)}."


class _Papers:
    """What each line's crew has to know of the permissions that it stands on; worked out once for a line."""

    def __init__(self, event: Event) -> None:
        self._granted, self._zone = Granted(event), ZoneInfo(event.timezone)
        self._known: dict[int, list[str]] = {}

    def __call__(self, line: Registration) -> list[str]:
        if line.pk not in self._known:
            self._known[line.pk] = [in_words(row, self._zone) for row in standing_on(line, self._granted)]
        return self._known[line.pk]


@dataclass(frozen=True)
class _Heard:
    """An agreed carrier as its neighbours meet it."""

    hertz: int
    code: str
    zone: str
    zone_name: str
    department: str
    shown: bool
    confidential: bool
    hours: list[tuple[datetime, datetime]]

    def may_be_told_of(self, other: "_Heard") -> bool:
        """How far off it lies gives a frequency away, and a confidential one's is nobody else's to know."""
        return not other.confidential or other.department == self.department

    def meets(self, other: "_Heard") -> bool:
        if not self.hours or not other.hours:
            return True
        return any(a < d and c < b for a, b in self.hours for c, d in other.hours)


class Neighbours:
    """The nearest agreed carriers below and above, among those heard in the same zone at the same time. For a
    department's eyes: others that have not opened themselves are «another department»."""

    NEAR_HZ = 1_000_000

    def __init__(self, event: Event) -> None:
        rows = Assignment.objects.filter(
            event=event, state__in=AGREED, carrier__withdrawn=False
        ).select_related("carrier__registration__zone", "carrier__registration__department")
        self._rows = {row.carrier.code: self._heard_as(row) for row in rows}
        self._near: dict[str, list[_Heard]] = defaultdict(list)
        for listener, senders in zones_in_earshot(event).items():
            self._near[listener] += [row for row in self._rows.values() if row.zone in senders]
        for heard in self._near.values():
            heard.sort(key=lambda row: (row.hertz, row.code))

    @staticmethod
    def _heard_as(row: Assignment) -> _Heard:
        registration = row.carrier.registration
        hours = registration.hours if registration.department.shares_time else []
        department = registration.department
        return _Heard(
            row.frequency_hz,
            row.carrier.code,
            registration.zone.code,
            registration.zone.name,
            department.code,
            department.open_to_others,
            department.confidential,
            hours,
        )

    def of(self, code: str) -> tuple[str, ...]:
        me = self._rows[code]
        heard = self._near[me.zone]
        at = bisect_left(heard, (me.hertz, me.code), key=lambda row: (row.hertz, row.code))
        below = next((row for row in reversed(heard[:at]) if row.meets(me) and me.may_be_told_of(row)), None)
        above = next((row for row in heard[at + 1 :] if row.meets(me) and me.may_be_told_of(row)), None)
        return tuple(
            self._in_words(me, row)
            for row in (below, above)
            if row and abs(row.hertz - me.hertz) < self.NEAR_HZ
        )

    @staticmethod
    def _in_words(me: _Heard, row: _Heard) -> str:
        name = (
            row.code
            if row.shown or row.department == me.department
            else f"another department, {row.zone_name}"
        )
        sign = "+" if row.hertz >= me.hertz else "−"
        return f"{name} {sign}{abs(row.hertz - me.hertz) / 1e6:.10g} MHz"


def _outsiders(event: Event) -> Iterable[Outsider]:
    return event.outsiders.select_related("zone").order_by("code")


def _outsider(row: Outsider, law: Ruleset) -> dict[str, Any]:
    """Whoever reads the whole event's sheet learns of those too who are on the air without being ours."""
    return {
        "carrier": row.code,
        "unit": "",
        "unit_label": row.label,
        "unit_key": "",
        "department": "",
        "department_name": "outside the event",
        "zone": row.zone.code,
        "zone_name": row.zone.name,
        "label": row.label,
        "kind": OUTSIDER,
        "kind_name": "transmission of somebody else",
        "role": "",
        "role_name": "",
        "frequency_hz": row.frequency_hz,
        "channel": channel_of(law, row.frequency_hz),
        "bandwidth_hz": row.bandwidth_hz,
        "power_mw": None,
        "settings": (),
        "spare_of": "",
        "spares": (),
        "starts_at": row.starts_at.isoformat() if row.starts_at else None,
        "ends_at": row.ends_at.isoformat() if row.ends_at else None,
        "stretches": [],
        "cells": "",
        "running_h": None,
        "status": OUTSIDER if row.sure else f"{OUTSIDER}, suspected",
        "reason": row.source,
        "beware": (),
        "contact": "",
        "notes": "",
        "margin": "",
        "outlook": "",
        "at_risk_from": (),
        "accepted": (),
        "at_one_end": (),
        "further": (),
    }
