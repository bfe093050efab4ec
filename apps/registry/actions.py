"""All writes of the registry. Form, file and REST all end in `register`."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import F, QuerySet
from django.utils import timezone

from apps.common.errors import Conflict, Fault, Faulty, Forbidden, Stale, require
from apps.events.actions import delete_unused, save_if_unchanged, touch
from apps.events.actors import Actor
from apps.events.models import Department, Event, Zone
from apps.events.rules import refusal_to_act_for, refusal_to_coordinate, refusal_to_write
from apps.journal import actions as journal
from apps.registry import rules
from apps.registry.catalogue import catalogue
from apps.registry.judging import Judgement, Status, fingerprint, judge
from apps.registry.models import Antennas, Carrier, Draft, Feed, Kind, KindRole, Registration, Unit
from apps.registry.states import RegistrationState, may_move


@transaction.atomic
def copy_kinds(*, actor: Actor, codes: Iterable[str]) -> list[Kind]:
    """Copy kinds from the catalogue into the event, which owns its copies from then on."""
    require(refusal_to_coordinate(actor))
    codes = list(codes)
    unknown = [
        Fault(0, "kinds", code, "The catalogue has no such kind.")
        for code in codes
        if code not in catalogue()
    ]
    if unknown:
        raise Faulty(unknown)
    there = set(actor.event.kinds.values_list("code", flat=True))
    kinds = [_copied(actor, code, code, {}, {}) for code in dict.fromkeys(codes) if code not in there]
    journal.record(
        actor=actor, event=actor.event.slug, verb="copied kinds", subject=f"{len(kinds)} from the catalogue",
        changes={kind.code: {"name": [None, kind.name]} for kind in kinds},
    )  # fmt: skip
    return kinds


@transaction.atomic
def add_kind(
    *,
    actor: Actor,
    code: str,
    template: str = "",
    roles: Mapping[str, Mapping[str, Any]] | None = None,
    **fields: Any,
) -> Kind:
    """Copy one kind of the catalogue (`template`, or the one of the same code) under a code of the event's own.

    `fields` and `roles` ({role code: fields}) differ from the catalogue. Raises Faulty.
    """
    require(refusal_to_coordinate(actor))
    template = template or code
    if template not in catalogue():
        raise Faulty(
            [Fault(0, "template", template, "The catalogue has no such kind; name one that it has.")]
        )
    if actor.event.kinds.filter(code=code).exists():
        raise Faulty([Fault(0, "code", code, "There is a kind of that code already.")])
    kind = _copied(actor, template, code, fields, roles or {})
    journal.record(
        actor=actor, event=actor.event.slug, verb="added a kind", subject=kind.name,
        changes={code: {"template": [None, template], **{name: [None, value] for name, value in fields.items()}}},
    )  # fmt: skip
    return kind


def _copied(
    actor: Actor, template: str, code: str, fields: Mapping[str, Any], roles: Mapping[str, Mapping[str, Any]]
) -> Kind:
    entry = dict(catalogue()[template])
    parts = entry.pop("roles")
    kind = Kind(event=actor.event, **{**entry, "code": code, **fields})
    if faults := rules.faults_in_settings(kind.settings, kind.settings_at_one_end):
        raise Faulty(faults)
    kind.save()
    KindRole.objects.bulk_create(
        KindRole(kind=kind, position=place, **_of_role(part, roles.get(part["code"], {})))
        for place, part in enumerate(parts, 1)
    )
    return kind


def _of_role(part: Mapping[str, Any], given: Mapping[str, Any]) -> dict[str, Any]:
    return {**part, **given, "radio": rules.with_figures(part["radio"], given.get("radio", {}))}


@transaction.atomic
def equip(*, actor: Actor, zone: Zone, version: int | None = 0, **fields: Any) -> Antennas:
    """Say what stands between a zone's antennas and its receivers and fixed transmitters. `version` 0: nothing was said yet.

    Raises Stale, or Faulty. Lines there are held against the ruleset again, for what they radiate changes.
    """
    require(refusal_to_coordinate(actor))
    there = Antennas.objects.filter(zone=zone).select_related("zone").first()
    row = there or Antennas(zone=zone)
    if faults := rules.faults_in_antennas({**_figures(row), **fields}):
        raise Faulty(faults)
    if there is None:
        if version:
            raise Stale(f"The antennas of {zone.code}", 0)
        for name, value in fields.items():
            setattr(row, name, value)
        row.save()
        changes: dict[str, Any] = {name: [None, value] for name, value in fields.items()}
    else:
        changes = save_if_unchanged(row, version, f"The antennas of {zone.code}", **fields)
    _said_of_antennas(actor, zone, "set the antennas", changes)
    return row


@transaction.atomic
def unequip(*, actor: Actor, antennas: Antennas, version: int | None = None) -> None:
    """Take it back: nothing stands there. Raises Stale."""
    require(refusal_to_coordinate(actor))
    zone = antennas.zone
    if antennas.pk is None:
        return
    if version is not None and version != antennas.version:
        raise Stale(f"The antennas of {zone.code}", antennas.version)
    left = {name: [value, None] for name, value in _figures(antennas, "zone", "version").items()}
    antennas.delete()
    _said_of_antennas(actor, zone, "took back the antennas", left)


def take_over_antennas(*, actor: Actor, event: Event) -> None:
    """Copy the antenna systems of another event's zones to those of the same codes here."""
    zones = {zone.code: zone for zone in actor.event.zones.all()}
    for row in Antennas.objects.filter(zone__event=event).select_related("zone").order_by("zone__code"):
        equip(actor=actor, zone=zones[row.zone.code], **_figures(row, "zone", "version"))


def _said_of_antennas(actor: Actor, zone: Zone, verb: str, changes: Mapping[str, Any]) -> None:
    mark_again(actor, zone.registrations.all())
    touch(actor.event)
    journal.record(
        actor=actor, event=actor.event.slug, verb=verb, subject=zone.code, changes={zone.code: dict(changes)}
    )  # fmt: skip


@transaction.atomic
def remove_kind(*, actor: Actor, kind: Kind, version: int | None = None) -> None:
    """Take a kind away that nobody ever registered."""
    require(refusal_to_coordinate(actor))
    changes = {kind.code: {"name": [kind.name, None]}}
    delete_unused(kind, version, kind.name)
    journal.record(
        actor=actor, event=actor.event.slug, verb="removed a kind", subject=kind.name, changes=changes
    )


@transaction.atomic
def take_over_kinds(*, actor: Actor, event: Event) -> list[Kind]:
    """Copy another event's kinds with the figures that they had there. The actor must coordinate this one."""
    require(refusal_to_coordinate(actor))
    kinds = []
    for kind in event.kinds.prefetch_related("roles").order_by("code"):
        roles = list(kind.roles.all())
        copy = Kind.objects.create(event=actor.event, **_figures(kind, "event", "version"))
        KindRole.objects.bulk_create(KindRole(kind=copy, **_figures(role, "kind")) for role in roles)
        kinds.append(copy)
    journal.record(
        actor=actor, event=actor.event.slug, verb="copied kinds", subject=f"{len(kinds)} from {event.name}",
        changes={kind.code: {"name": [None, kind.name]} for kind in kinds},
    )  # fmt: skip
    return kinds


def _figures(row: Kind | KindRole | Antennas, *without: str) -> dict[str, Any]:
    names = [field.name for field in row._meta.concrete_fields if not field.primary_key]
    return {name: getattr(row, name) for name in names if name not in without}


@transaction.atomic
def wish_frequencies(*, actor: Actor, wishes: Mapping[int, int]) -> None:
    """Say where carriers ({key: hertz}) would rather be, because they were there at an earlier event."""
    require(refusal_to_coordinate(actor))
    carriers = list(Carrier.objects.filter(event=actor.event, pk__in=list(wishes)).order_by("code"))
    for carrier in carriers:
        carrier.previous_hz = wishes[carrier.pk]
    Carrier.objects.bulk_update(carriers, ["previous_hz"], batch_size=500)
    touch(actor.event)
    journal.record(
        actor=actor,
        event=actor.event.slug,
        verb="wished for earlier frequencies",
        subject=f"{len(carriers)} carriers",
    )


@transaction.atomic
def change_kind(
    *,
    actor: Actor,
    kind: Kind,
    version: int | None = None,
    roles: Mapping[str, Mapping[str, Any]],
    **fields: Any,
) -> Kind:
    """Change a kind's own figures and those of its roles ({role code: fields}). Raises Stale.

    Lines that ask for it are held against the ruleset again: what is no longer permitted is marked and waits. Raises Faulty
    for names of settings that no line could fill in.
    """
    require(refusal_to_coordinate(actor))
    both, one = (fields.get(name, getattr(kind, name)) for name in ("settings", "settings_at_one_end"))
    if {"settings", "settings_at_one_end"} & set(fields) and (faults := rules.faults_in_settings(both, one)):
        raise Faulty(faults)
    changes = save_if_unchanged(kind, version, kind.name, **fields)
    for role in kind.roles.all():
        given = dict(roles.get(role.code, {}))
        if "radio" in given:
            given["radio"] = rules.with_figures(role.radio, given["radio"])
        for name, value in given.items():
            if getattr(role, name) != value:
                changes[f"{role.code}: {name}"] = [getattr(role, name), value]
                setattr(role, name, value)
        role.save()
    mark_again(actor, kind.registrations.all())
    touch(actor.event)
    journal.record(
        actor=actor,
        event=actor.event.slug,
        verb="changed a kind",
        subject=kind.name,
        changes={kind.code: changes},
    )
    return kind


def mark_again(actor: Actor, lines: QuerySet[Registration]) -> list[Registration]:
    """Hold lines against the ruleset and what was granted again; returns those whose mark changed.

    Whoever loses the permission waits for a coordinator; whoever waited for nothing but the permission is accepted.
    """
    bounds, now, changed = rules.Bounds(actor.event), timezone.now(), []
    standing = lines.exclude(state=RegistrationState.WITHDRAWN).select_related("department", "zone", "kind")
    for row in standing.prefetch_related("kind__roles"):
        words = bounds.not_permitted(row)
        if words == row.not_permitted:
            continue
        lifted = row.not_permitted and not words
        row.not_permitted, row.updated_at = words, now
        if words and row.state == RegistrationState.ACCEPTED:
            row.state = RegistrationState.SUBMITTED
        elif lifted and row.state == RegistrationState.SUBMITTED:
            row.reason = bounds.kept_out(row)
            row.state = rules.state_once_written(actor, row, row.state, now, row.reason)
        changed.append(row)
    update_rows(changed)
    return changed


def register(
    *,
    actor: Actor,
    rows: Iterable[Mapping[str, Any]],
    all_or_nothing: bool = True,
    seen: str | None = None,
    all_new: bool = False,
    batch: int | None = None,
) -> list[Judgement]:
    """Enter or change registrations: the one room behind the form, the file and the interface.

    Each row is judged; new and changed ones are written, with their carriers and units. With `all_or_nothing` one
    faulty row keeps all of them out, and Faulty names every fault of every row; otherwise the good rows are saved.
    Raises Forbidden when the actor may not register for a department that it names, and Conflict when the rows do not
    do any more what was `seen` (the fingerprint of their judgements on a page). With `all_new` a row whose line is
    there already is a fault. `batch` is the number under which the journal holds them together.
    """
    rows = list(rows)
    try:
        with transaction.atomic():
            one_at_a_time(actor)
            judgements = judge(actor, rows, all_new=all_new)
            if seen is not None and fingerprint(judgements) != seen:
                raise Conflict(
                    "Lines changed since this list was judged, so it would now do something else. "
                    "Look at it again."
                )
            faults = [fault for judged in judgements for fault in judged.faults]
            if faults and all_or_nothing:
                raise Faulty(faults)
            written = [judged for judged in judgements if judged.status in (Status.NEW, Status.CHANGED)]
            _write(actor, written, batch)
            return judgements
    except IntegrityError as clash:
        raise Conflict(
            "Somebody else registered the same at this very moment; look again, then repeat."
        ) from clash


def one_at_a_time(actor: Actor) -> None:
    """One registering of an event's departments at a time, so that two cannot take the same label or numbers."""
    list(Department.objects.select_for_update().filter(event=actor.event).order_by("pk"))


def change(
    *, actor: Actor, registration: Registration, values: Mapping[str, Any], version: int | None = None
) -> Judgement:
    """Change some fields of one registration; department and identity stay. Raises Stale, Faulty, Forbidden."""
    require(rules.refusal_to_change(actor, registration))
    if version is not None and version != registration.version:
        raise Stale(str(registration), registration.version)
    row = {
        **values,
        "department": registration.department.code,
        "version": registration.version,
        "id": registration.pk,
    }
    return register(actor=actor, rows=[row])[0]


def _write(actor: Actor, judgements: list[Judgement], batch: int | None) -> None:
    if not judgements:
        return
    for department in {judged.line.department for judged in judgements if judged.line}:
        require(refusal_to_act_for(actor, department.pk))
    bounds = rules.Bounds(actor.event)
    written = [apply_line(actor, judged, bounds) for judged in judgements]
    new = [registration for registration in written if registration.pk is None]
    old = [registration for registration in written if registration.pk is not None]
    Registration.objects.bulk_create(new)
    update_rows(old)
    fit_carriers(written)
    touch(actor.event)
    _record(actor, judgements, batch)


def apply_line(actor: Actor, judged: Judgement, bounds: rules.Bounds) -> Registration:
    line = judged.line
    assert line is not None
    registration = judged.existing or Registration(event=actor.event, department=line.department)
    old_state = registration.state
    for name, value in line.values.items():
        setattr(registration, name, value)
    now = timezone.now()
    registration.updated_at = now
    registration.late = rules.comes_late(actor, registration, now)
    registration.not_permitted = bounds.not_permitted(registration)
    kept_out = bounds.kept_out(registration)
    registration.state = rules.state_once_written(actor, registration, old_state, now, kept_out)
    registration.reason = kept_out if registration.state == RegistrationState.SUBMITTED else ""
    if judged.existing is not None and judged.changes is not None and old_state != registration.state:
        judged.changes["state"] = [old_state, registration.state]
    if judged.existing is None and judged.changes is not None:
        judged.changes["state"] = [None, registration.state]
    judged.existing = registration
    return registration


def not_permitted_here(actor: Actor, judgements: Mapping[int, Judgement]) -> dict[int, str]:
    """The ruleset's words to those new lines of which it would permit nothing; nothing is written."""
    bounds = rules.Bounds(actor.event)
    words = {key: apply_line(actor, judged, bounds).not_permitted for key, judged in judgements.items()}
    return {key: refusal for key, refusal in words.items() if refusal}


EDITABLE = [
    f.attname
    for f in Registration._meta.concrete_fields
    if f.name not in ("id", "event", "department", "created_at")
]


def update_rows(registrations: list[Registration], names: Iterable[str] = EDITABLE) -> None:
    """Write changed rows, each only if still at the version that was judged (the departments are locked)."""
    now = timezone.now()
    for registration in registrations:
        registration.version += 1
        registration.updated_at = now
    # An insert that finds each row there already: bulk_update compares every row with every other one of its batch.
    Registration.objects.bulk_create(
        registrations,
        update_conflicts=True,
        unique_fields=["id"],
        update_fields={*names, "version", "updated_at"},
    )


def _record(actor: Actor, judgements: list[Judgement], batch: int | None) -> None:
    by_department: dict[str, list[Judgement]] = defaultdict(list)
    for judged in judgements:
        assert judged.line is not None
        by_department[judged.line.department.code].append(judged)
    for code, some in sorted(by_department.items()):
        subject = _label(some[0]) if len(some) == 1 else f"{len(some)} lines"
        if batch is not None:
            subject = f"batch {batch}: {len(some)} line{'s' if len(some) != 1 else ''}"
        journal.record(
            actor=actor, event=actor.event.slug, verb=_verb(some), department=code,
            subject=subject, changes={_label(judged): plain_changes(judged.changes or {}) for judged in some},
        )  # fmt: skip


def _label(judged: Judgement) -> str:
    """Its label as it stands now: a change of other fields does not name it."""
    return judged.existing.label if judged.existing else judged.label


def _verb(judgements: list[Judgement]) -> str:
    """What was done to lines, in a word: those that were there already are changed, or only submitted once more."""
    new = [judged.status == Status.NEW for judged in judgements]
    if all(new):
        return "registered"
    if any(new):
        return "registered and changed"
    only_states = all(set(judged.changes or {}) <= {"state"} for judged in judgements)
    return "submitted again" if only_states else "changed"


def plain_changes(changes: dict[str, list[Any]]) -> dict[str, list[Any]]:
    """Rows that a change points to are written by their code; what was empty and stays so is not written at all."""

    def plain(value: Any) -> Any:
        return value.code if isinstance(value, Kind | Zone) else value

    return {
        name: [plain(old), plain(new)]
        for name, (old, new) in changes.items()
        if old not in _EMPTY or new not in _EMPTY
    }


_EMPTY: tuple[Any, ...] = (None, "", {}, [])


# -- carriers and units ---------------------------------------------------------------------


def fit_carriers(registrations: list[Registration]) -> None:
    """Give every registration the carriers and units that it asks for; numbers are never given twice."""
    there: dict[int, list[Carrier]] = defaultdict(list)
    found = (
        Carrier.objects.filter(registration__in=registrations, withdrawn=False)
        .prefetch_related("units")
        .order_by("code")
    )
    for carrier in found:
        there[carrier.registration_id].append(carrier)
    new: list[Carrier] = []
    gone: list[Carrier] = []
    for registration in registrations:
        _fit(registration, there[registration.pk], new, gone)
    _withdraw(gone)
    _number(new)
    mains = [carrier for carrier in new if carrier.spare_of is None]
    Carrier.objects.bulk_create(mains)
    Carrier.objects.bulk_create([carrier for carrier in new if carrier.spare_of is not None])
    left = {carrier.pk for carrier in gone}
    kept = [carrier for some in there.values() for carrier in some if carrier.pk not in left]
    _fit_units(registrations, kept, new)


def _fit(registration: Registration, there: list[Carrier], new: list[Carrier], gone: list[Carrier]) -> None:
    """Add to `gone` what is too many, highest first and never a held one, and to `new` what is missing."""
    roles = list(registration.kind.roles.all()) if registration.kind.assigned else []
    wanted = registration.state != RegistrationState.WITHDRAWN
    known = {role.pk for role in roles}
    stale = [carrier for carrier in there if carrier.role_id not in known]
    if any(carrier.held for carrier in stale):
        raise Conflict(
            f"{registration}: its frequencies are locked; a coordinator must unlock them before the kind changes."
        )
    left = [carrier for carrier in there if carrier.role_id in known]
    mains, gone_mains = _keep(
        registration, [c for c in left if c.spare_of_id is None], registration.quantity * wanted
    )
    spares, gone_spares = _keep(
        registration, [c for c in left if c.spare_of_id is not None], registration.spares * wanted
    )
    gone += [*stale, *gone_mains, *gone_spares]
    by_place = {(carrier.role_id, carrier.position): carrier for carrier in mains}
    for position in _missing(mains, registration.quantity * wanted):
        for role in roles:
            carrier = Carrier(
                event_id=registration.event_id, registration=registration, role=role, position=position
            )
            by_place[role.pk, position] = carrier
            new.append(carrier)
    places = sorted({position for _, position in by_place})
    for position in _missing(spares, registration.spares * wanted):
        for role in roles:
            main = by_place[role.pk, places[(position - 1) % len(places)]]
            new.append(
                Carrier(
                    event_id=registration.event_id,
                    registration=registration,
                    role=role,
                    position=position,
                    spare_of=main,
                )
            )
    for spare in spares:
        if spare.spare_of_id in {carrier.pk for carrier in gone_mains}:
            Carrier.objects.filter(pk=spare.pk).update(spare_of=by_place[spare.role_id, places[0]])


def _keep(
    registration: Registration, carriers: list[Carrier], sets: int
) -> tuple[list[Carrier], list[Carrier]]:
    """Split carriers into those of the sets that stay and those of the sets that go."""
    positions = sorted({carrier.position for carrier in carriers})
    held = {carrier.position for carrier in carriers if carrier.held}
    too_many = max(0, len(positions) - sets)
    gone = set([position for position in reversed(positions) if position not in held][:too_many])
    if len(gone) < too_many:
        raise Conflict(
            f"{registration}: {len(held)} of its frequencies are locked; a coordinator must unlock some first."
        )
    return [c for c in carriers if c.position not in gone], [c for c in carriers if c.position in gone]


def _missing(carriers: list[Carrier], sets: int) -> list[int]:
    taken = {carrier.position for carrier in carriers}
    free = (position for position in range(1, sets + len(taken) + 1) if position not in taken)
    return [next(free) for _ in range(sets - len(taken))]


def _withdraw(carriers: list[Carrier]) -> None:
    if carriers:
        keys = [carrier.pk for carrier in carriers]
        Carrier.objects.filter(pk__in=keys).update(withdrawn=True)
        Unit.objects.filter(carrier__in=keys).update(withdrawn=True)


def _number(carriers: list[Carrier]) -> None:
    """Number new carriers within their department: DEPT-001, DEPT-002, …"""
    by_department: dict[int, list[Carrier]] = defaultdict(list)
    for carrier in carriers:
        by_department[carrier.registration.department_id].append(carrier)
    for key, some in by_department.items():
        Department.objects.filter(pk=key).update(carriers_numbered=F("carriers_numbered") + len(some))
        department = Department.objects.get(pk=key)
        for number, carrier in enumerate(some, department.carriers_numbered - len(some) + 1):
            carrier.code = f"{department.code}-{number:03d}"


def _fit_units(registrations: list[Registration], kept: list[Carrier], made: list[Carrier]) -> None:
    """As many units on every carrier as its line asks for: `kept` with those that they have, and `made` just now."""
    wanted = {registration.pk: registration.units for registration in registrations}
    new, gone, back = [], [], []
    for carrier in made:
        count = wanted[carrier.registration_id]
        new += [Unit(carrier=carrier, number=number) for number in range(1, count + 1)]
    for carrier in kept:
        units = {unit.number: unit for unit in carrier.units.all()}
        count = wanted[carrier.registration_id]
        new += [Unit(carrier=carrier, number=number) for number in range(1, count + 1) if number not in units]
        gone += [unit.pk for unit in units.values() if unit.number > count and not unit.withdrawn]
        back += [unit.pk for unit in units.values() if unit.number <= count and unit.withdrawn]
    Unit.objects.bulk_create(new)
    if gone:
        Unit.objects.filter(pk__in=gone).update(withdrawn=True)
    if back:
        Unit.objects.filter(pk__in=back).update(withdrawn=False)


@transaction.atomic
def hold(*, carriers: Iterable[int], held: bool) -> None:
    """Promise (or stop promising) that carriers stay: called by whoever locks their assignments."""
    Carrier.objects.filter(pk__in=list(carriers)).update(held=held)


# -- states ---------------------------------------------------------------------------------


@transaction.atomic
def accept(
    *, actor: Actor, registration: Registration, reason: str = "", version: int | None = None
) -> Registration:
    """Take a submitted registration into the next run."""
    require(refusal_to_coordinate(actor))
    if registration.not_permitted:
        raise Forbidden(rules.refusal_to_accept(registration))
    return _move(actor, registration, RegistrationState.ACCEPTED, "accepted", reason, version)


@transaction.atomic
def send_back(
    *, actor: Actor, registration: Registration, reason: str, version: int | None = None
) -> Registration:
    """Return a line to its lead, with a reason that stands in the row."""
    require(rules.refusal_to_send_back(actor, registration))
    if not reason.strip():
        raise Faulty([Fault(0, "reason", "", "Say what the lead should change.")])
    return _move(actor, registration, RegistrationState.SENT_BACK, "sent back", reason, version)


@transaction.atomic
def withdraw(
    *, actor: Actor, registration: Registration, reason: str = "", version: int | None = None
) -> Registration:
    """Take a line off the list; its carriers are withdrawn with it, unless some are locked."""
    require(rules.refusal_to_change(actor, registration))
    registration = _move(actor, registration, RegistrationState.WITHDRAWN, "withdrew", reason, version)
    fit_carriers([registration])
    return registration


def _move(
    actor: Actor, registration: Registration, state: str, verb: str, reason: str, version: int | None
) -> Registration:
    old = registration.state
    if not may_move(old, state):
        raise Conflict(f"A line that is {old} cannot become {state}.")
    changes = save_if_unchanged(registration, version, str(registration), state=state, reason=reason.strip())
    touch(actor.event)
    journal.record(
        actor=actor, event=actor.event.slug, verb=verb, subject=registration.label,
        department=registration.department.code, changes={registration.label: changes}, reason=reason,
    )  # fmt: skip
    return registration


# -- drafts: no entry in the journal, for nobody but who types has seen them ----------------------


@transaction.atomic
def keep_draft(
    *,
    actor: Actor,
    line: int,
    typed: Mapping[str, Any],
    many: bool = False,
    saved: Callable[[], bool] | None = None,
) -> None:
    """Keep what somebody typed so far into the form of a line (0: a new one), in place of what they typed before.

    `many`: into the form of several new lines. `saved` says whether it was saved by now; it is asked while nobody can save,
    or else what a form asks for while it is sent would outlive it.
    """
    require(refusal_to_write(actor))
    if saved is not None:
        Event.objects.select_for_update().get(pk=actor.event.pk)
        if saved():
            return
    Draft.objects.update_or_create(
        event=actor.event, person=actor.email, line=line, many=many, defaults={"typed": dict(typed)}
    )


def forget_draft(*, actor: Actor, line: int, many: bool = False) -> None:
    """What was typed is saved now, or thrown away."""
    Draft.objects.filter(event=actor.event, person=actor.email, line=line, many=many).delete()


# -- calendars out --------------------------------------------------------------------------


@transaction.atomic
def offer_feed(*, actor: Actor, department: Department | None = None, zone: Zone | None = None) -> Feed:
    """Make a calendar of hours under a secret address, for programs that subscribe to it."""
    require(rules.refusal_to_offer(actor, department))
    feed = Feed.objects.create(event=actor.event, department=department, zone=zone, made_by=actor.email)
    journal.record(
        actor=actor, event=actor.event.slug, verb="made a calendar address", subject=str(feed),
        department=department.code if department else "",
    )  # fmt: skip
    return feed


@transaction.atomic
def revoke_feed(*, actor: Actor, feed: Feed) -> None:
    """End a calendar's address at once; who subscribed to it gets nothing any more."""
    require(
        refusal_to_act_for(actor, feed.department_id) if feed.department_id else refusal_to_coordinate(actor)
    )
    if not Feed.objects.filter(pk=feed.pk, revoked_at=None).update(revoked_at=timezone.now()):
        raise Conflict("This address was revoked already.")
    journal.record(
        actor=actor, event=actor.event.slug, verb="revoked a calendar address", subject=str(feed),
        department=feed.department.code if feed.department else "",
    )  # fmt: skip
