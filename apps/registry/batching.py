"""One act on many lines: weighed line by line first, done as one batch for one reason, put back while that still fits."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from django.db import transaction
from django.db.models import Count, F, Max
from django.utils import timezone

from apps.common.choice import Choice, whole_number
from apps.common.errors import Conflict, Fault, Faulty, require
from apps.events.actions import touch
from apps.events.actors import Actor
from apps.events.models import Zone
from apps.events.rules import refusal_to_coordinate
from apps.journal import actions as journal
from apps.registry import actions, rules
from apps.registry.judging import FIELDS, Judgement, Status, fingerprint, judge
from apps.registry.lines import Names, Reading, read_line
from apps.registry.models import Batch, BatchLine, Carrier, Kind, Registration, Unit, Upload
from apps.registry.queries import registrations_of
from apps.registry.states import RegistrationState

# What can be done to many lines, each with the journal's word for it.
ACTS = {"change": "changed together", "accept": "accepted", "send back": "sent back", "withdraw": "withdrew"}
IMPORT = "import"
# What a batch did, in a word: the acts on lines that somebody chose, and an upload saved as a whole.
DONE = {**ACTS, IMPORT: "imported"}
DECISIONS = frozenset(["accept", "send back"])
TARGETS = {
    "accept": RegistrationState.ACCEPTED,
    "send back": RegistrationState.SENT_BACK,
    "withdraw": RegistrationState.WITHDRAWN,
}
# What a change may set on many lines at once; what tells lines apart stays with each of them.
CHANGEABLE = (
    "kind", "zone", "start", "end", "all_day", "stretches", "priority", "power_mw", "low_hz", "high_hz", "can_change", "contact",
)  # fmt: skip
NAMED = 10
FEW = 20
# What a batch may have changed of a line, and puts back when it is undone.
KEPT = tuple(
    field.attname
    for field in Registration._meta.concrete_fields
    if field.name in {*FIELDS, "state", "reason", "late", "not_permitted"}
)


@dataclass(frozen=True)
class Act:
    """What is to be done to many lines: a name of DONE; a change sets `values`, as typed, in the columns of lines."""

    name: str
    values: Mapping[str, Any] = field(default_factory=dict)


def refusal_to_act(actor: Actor, act: Act) -> str:
    if act.name in DECISIONS:
        return refusal_to_coordinate(actor)
    return rules.refusal_to_register(actor)


def weigh(actor: Actor, rows: Iterable[Registration], act: Act) -> list[Judgement]:
    """What an act would do to each line: changed with old and new, unchanged, or faulty with what stands against it.

    Writes nothing, and leaves `rows` as they are; a constant number of queries. Raises Faulty for what an act may not set.
    """
    require(refusal_to_act(actor, act))
    rows = list(rows)
    if act.name == "change":
        return _weigh_change(actor, rows, act)
    locked = _locked(rows) if act.name == "withdraw" else {}
    return [_weigh_move(actor, number, row, act, locked.get(row.pk, 0)) for number, row in enumerate(rows, 1)]


def _weigh_change(actor: Actor, rows: list[Registration], act: Act) -> list[Judgement]:
    strange = [
        Fault(0, name, str(value), f"Many lines at once take no {name}; use {', '.join(CHANGEABLE)}.")
        for name, value in act.values.items()
        if name not in CHANGEABLE
    ]
    if strange or not act.values:
        raise Faulty(strange or [Fault(0, "values", "", "Say what is to be changed.")])
    said = Reading(0, {**act.values, "department": rows[0].department.code} if rows else act.values)
    read_line(Names(actor), said)
    if said.faults:
        # What is wrong with the values themselves is wrong for every line: once is enough.
        raise Faulty(said.faults)
    identity = [{"id": row.pk, "department": row.department.code, "version": row.version} for row in rows]
    judgements = judge(actor, [{**act.values, **whose} for whose in identity])
    locked = _locked(rows) if "kind" in act.values else {}
    bounds = rules.Bounds(actor.event)
    for row, judged in zip(rows, judgements, strict=True):
        judged.label = row.label
        why = ""
        if row.state == RegistrationState.WITHDRAWN:
            why = "It is withdrawn; submit it again first."
        elif "kind" in (judged.changes or {}) and locked.get(row.pk):
            why = f"{locked[row.pk]} of its frequencies are locked; a coordinator must unlock them first."
        if why:
            judged.faults.append(Fault(judged.row, "state", row.state, why))
            judged.status = Status.FAULTY
        elif judged.changes is not None and set(judged.changes) <= {"state"}:
            # What it says already does not submit it again.
            judged.status = Status.UNCHANGED
        elif judged.status == Status.CHANGED:
            actions.apply_line(actor, judged, bounds)
    return judgements


def _weigh_move(actor: Actor, number: int, row: Registration, act: Act, locked: int) -> Judgement:
    target = TARGETS[act.name]
    judged = Judgement(number, row.external_id, row.label, Status.UNCHANGED, [], existing=row)
    if row.state == target:
        return judged
    refusal = _refusal_to_move(actor, row, act, locked)
    if refusal:
        judged.status, judged.faults = Status.FAULTY, [Fault(number, "state", row.state, refusal)]
    else:
        judged.status, judged.changes = Status.CHANGED, {"state": [row.state, target.value]}
    return judged


def _refusal_to_move(actor: Actor, row: Registration, act: Act, locked: int) -> str:
    if act.name == "accept":
        return rules.refusal_to_accept(row)
    if act.name == "send back":
        return rules.refusal_to_send_back(actor, row)
    return rules.refusal_to_change(actor, row) or rules.refusal_to_withdraw(row, locked)


def _locked(rows: list[Registration]) -> dict[int, int]:
    """How many of its carriers are promised to stay, by line."""
    held = Carrier.objects.filter(registration__in=[row.pk for row in rows], held=True, withdrawn=False)
    return dict(held.order_by().values_list("registration").annotate(number=Count("pk")))


def chosen_lines(actor: Actor, choice: Choice, *, lock: bool = False) -> list[Registration]:
    """The lines of a choice as they stand now, in the order of the list."""
    keys = [whole_number(key) or 0 for key in choice.versions]
    found = registrations_of(actor).filter(pk__in=keys).prefetch_related("kind__roles")
    return list(found.select_for_update(of=("self",)) if lock else found)


@transaction.atomic
def act_on_many(
    *,
    actor: Actor,
    choice: Choice,
    act: Act,
    reason: str = "",
    seen: str | None = None,
    all_or_none: bool = False,
) -> Batch:
    """Do one thing to many lines; those that stand against it are left as they are. One batch, one reason.

    `seen` is the fingerprint of the judgements that stood on the page: what was shown is what is done, or nothing is.
    Raises Conflict when lines changed since they were chosen, or when none would change; Faulty without a reason,
    which only accepting does not need. With `all_or_none` one line that cannot keeps all of them as they are.
    """
    require(refusal_to_act(actor, act))
    if act.name != "accept" and not reason.strip():
        words = (
            "Say what the leads should change."
            if act.name == "send back"
            else "Say why; it stands in the journal."
        )
        raise Faulty([Fault(0, "reason", "", words)])
    actions.one_at_a_time(actor)
    rows = chosen_lines(actor, choice, lock=True)
    choice.refuse_changed({str(row.pk): row.version for row in rows})
    judgements = weigh(actor, rows, act)
    if seen is not None and fingerprint(judgements) != seen:
        raise Conflict("The lines changed since you looked, so this would now do something else. Look again.")
    if all_or_none:
        _refuse_unable(judgements)
    meant = [
        (row, judged) for row, judged in zip(rows, judgements, strict=True) if judged.status == Status.CHANGED
    ]
    if not meant:
        raise Conflict("None of these lines would change; nothing was done.")
    before = {row.pk: _standing(row) for row, _ in meant}
    active = _active_carriers(row for row, _ in meant) if _moves_carriers(act) else frozenset()
    written = [_written(row, judged, act, reason) for row, judged in meant]
    _update(written, _columns_changed(before, written))
    if _moves_carriers(act):
        actions.fit_carriers(written)
    batch = _keep(actor, act, reason, before, written, active)
    touch(actor.event)
    changes = {row.pk: actions.plain_changes(judged.changes or {}) for row, judged in meant}
    _record(actor, batch, ACTS[act.name], reason, written, changes)
    return batch


def _refuse_unable(judgements: list[Judgement]) -> None:
    unable = [judged for judged in judgements if judged.faults]
    if unable:
        named = "; ".join(f"{judged.existing}: {judged.faults[0].message}" for judged in unable[:NAMED])
        more = f"; and {len(unable) - NAMED} more" if len(unable) > NAMED else ""
        raise Conflict(f"{len(unable)} of these cannot: {named}{more}. Leave them out of the choice.")


def _update(rows: list[Registration], names: Collection[str]) -> None:
    """Write these columns of many rows: by one statement for all that now say the same, as most of a batch do."""
    alike: dict[str, list[Registration]] = defaultdict(list)
    for row in rows:
        alike[repr([getattr(row, name) for name in names])].append(row)
    if len(alike) > FEW:
        actions.update_rows(rows, names)
        return
    now = timezone.now()
    for same in alike.values():
        values = {name: getattr(same[0], name) for name in names}
        found = Registration.objects.filter(pk__in=[row.pk for row in same])
        found.update(**values, version=F("version") + 1, updated_at=now)
    for row in rows:
        row.version, row.updated_at = row.version + 1, now


@transaction.atomic
def register_upload(
    *, actor: Actor, upload: Upload, rows: Iterable[Mapping[str, Any]], all_or_nothing: bool, seen: str
) -> list[Judgement]:
    """Register what an upload says, as one batch: undone, its new lines are withdrawn and the others as they were."""
    actions.one_at_a_time(actor)
    lines = Registration.objects.filter(event=actor.event).order_by()
    before = {row.pop("pk"): row for row in lines.values("pk", *KEPT)}
    carriers = Carrier.objects.filter(event=actor.event, withdrawn=False).order_by()
    active = frozenset(carriers.values_list("pk", flat=True))
    judgements = actions.register(
        actor=actor, rows=rows, all_or_nothing=all_or_nothing, seen=seen, batch=_next_number(actor)
    )
    done = (Status.NEW, Status.CHANGED)
    written = [judged.existing for judged in judgements if judged.status in done and judged.existing]
    for row in written:
        before.setdefault(row.pk, {**_standing(row), "state": RegistrationState.WITHDRAWN.value})
    if written:
        _keep(actor, Act(IMPORT), upload.name, before, written, active, upload)
    return judgements


def _moves_carriers(act: Act) -> bool:
    return act.name in ("withdraw", IMPORT) or "kind" in act.values


def _standing(row: Registration) -> dict[str, Any]:
    return {name: getattr(row, name) for name in KEPT}


def _active_carriers(rows: Iterable[Registration]) -> frozenset[int]:
    keys = [row.pk for row in rows]
    found = Carrier.objects.filter(registration__in=keys, withdrawn=False)
    return frozenset(found.values_list("pk", flat=True))


def _written(row: Registration, judged: Judgement, act: Act, reason: str) -> Registration:
    """The line as it is to be written; a change was applied when it was weighed."""
    if act.name == "change":
        assert judged.existing is not None
        return judged.existing
    row.state, row.reason, row.updated_at = TARGETS[act.name], reason.strip(), timezone.now()
    return row


def _columns_changed(before: Mapping[int, dict[str, Any]], written: Iterable[Registration]) -> set[str]:
    return {
        name
        for row in written
        for name, value in _standing(row).items()
        if before[row.pk][name] != value
    }  # fmt: skip


def _next_number(actor: Actor) -> int:
    last = Batch.objects.filter(event=actor.event).aggregate(last=Max("number"))["last"] or 0
    return int(last) + 1


def _keep(
    actor: Actor, act: Act, reason: str, before: dict[int, dict[str, Any]], written: list[Registration],
    active: Collection[int], upload: Upload | None = None,
) -> Batch:  # fmt: skip
    """Write down what was done to which line, so that it can be put back."""
    batch = Batch.objects.create(
        event=actor.event, number=_next_number(actor), act=act.name, values=dict(act.values), reason=reason.strip(),
        upload=upload, made_by=actor.email, made_by_name=actor.name, made_at=timezone.now(),
    )  # fmt: skip
    withdrew: dict[int, list[int]] = defaultdict(list)
    if active:
        gone = Carrier.objects.filter(registration__in=[row.pk for row in written], withdrawn=True)
        for key, line in gone.values_list("pk", "registration"):
            if key in active:
                withdrew[line].append(key)
    BatchLine.objects.bulk_create(
        BatchLine(
            batch=batch, registration=row, version=row.version, withdrew=withdrew[row.pk],
            before={name: old for name, old in before[row.pk].items() if getattr(row, name) != old},
        )
        for row in written
    )  # fmt: skip
    return batch


def _record(
    actor: Actor, batch: Batch, verb: str, reason: str, rows: Iterable[Registration], changes: Mapping[int, dict[str, Any]]
) -> None:  # fmt: skip
    """One entry for each department, which reads its own; the batch's number holds them together."""
    by_department: dict[str, list[Registration]] = defaultdict(list)
    for row in rows:
        by_department[row.department.code].append(row)
    for code, some in sorted(by_department.items()):
        journal.record(
            actor=actor, event=actor.event.slug, verb=verb, department=code, reason=reason,
            subject=f"batch {batch.number}: {len(some)} line{'s' if len(some) != 1 else ''}",
            changes={row.label: changes[row.pk] for row in some},
        )  # fmt: skip


# -- putting back ---------------------------------------------------------------------------


def refusal_to_undo(actor: Actor, batch: Batch) -> str:
    """Decisions are a coordinator's to take back; what a lead may do to lines, a lead may take back."""
    return refusal_to_act(actor, Act(batch.act))


def against_putting_back(lines: Iterable[BatchLine]) -> dict[int, str]:
    """Why a line of a batch can no longer be put back as it was, as far as the list itself knows; {line's pk: why}."""
    lines = list(lines)
    zones = set(Zone.objects.values_list("pk", flat=True).filter(pk__in=_pointed(lines, "zone_id")))
    kinds = set(Kind.objects.values_list("pk", flat=True).filter(pk__in=_pointed(lines, "kind_id")))
    taken = _taken(lines)
    found = {}
    for line in lines:
        row = line.registration
        if row.version != line.version:
            found[line.pk] = "It was changed since."
        elif line.before.get("zone_id", None) not in {None, *zones}:
            found[line.pk] = "The zone that it was in is gone."
        elif line.before.get("kind_id", None) not in {None, *kinds}:
            found[line.pk] = "The kind that it had is gone."
        elif line.pk in taken:
            found[line.pk] = taken[line.pk]
    return found


def _pointed(lines: list[BatchLine], name: str) -> set[int]:
    return {line.before[name] for line in lines if name in line.before}


def _taken(lines: list[BatchLine]) -> dict[int, str]:
    """Those of the lines whose former label or number of their own another line bears by now, with that said."""
    found = {}
    for name, words in (("label", "label"), ("external_id", "number of its own")):
        wanted = {line.pk: line.before.get(name, getattr(line.registration, name)) for line in lines}
        bearers = Registration.objects.filter(**{f"{name}__in": {text for text in wanted.values() if text}})
        if name == "label":  # a withdrawn line keeps its number, and gives its label free
            bearers = bearers.exclude(state=RegistrationState.WITHDRAWN)
        known: dict[tuple[int, str], int] = {
            (department, text): key for key, department, text in bearers.values_list("pk", "department", name)
        }
        for line in lines:
            back = line.before.get("state", line.registration.state) != RegistrationState.WITHDRAWN
            bearer = known.get((line.registration.department_id, wanted[line.pk]))
            if bearer not in (None, line.registration_id) and (back or name != "label"):
                found[line.pk] = f"Another line of this {words} was registered since."
    return found


@transaction.atomic
def put_back(*, actor: Actor, batch: Batch, keys: Collection[int], reason: str) -> None:
    """Put lines of a batch back as they were, with the carriers that went with it; in the journal under its number.

    `keys` are those of its BatchLines. Whoever calls has asked what depends on them elsewhere. What the ruleset no
    longer permits comes back marked and waiting. Raises Conflict when one cannot be put back, Faulty without a reason.
    """
    require(refusal_to_undo(actor, batch))
    if not reason.strip():
        raise Faulty([Fault(0, "reason", "", "Say why; it stands in the journal.")])
    actions.one_at_a_time(actor)
    found = batch.lines.filter(pk__in=keys, undone_at=None).select_related("registration__department")
    lines = list(found.select_for_update(of=("self", "registration")))
    if not lines:
        raise Conflict("There is nothing left of this batch that could be undone.")
    if against := against_putting_back(lines):
        raise Conflict(f"{len(against)} of these lines cannot be put back any more. Look again.")
    rows = [line.registration for line in lines]
    for row in rows:
        require(rules.refusal_to_change(actor, row))
    before = {row.pk: _standing(row) for row in rows}
    kinds = Kind.objects.prefetch_related("roles").in_bulk(
        {line.before.get("kind_id", line.registration.kind_id) for line in lines}
    )
    bounds, now = rules.Bounds(actor.event), timezone.now()
    for line in lines:
        row = line.registration
        for name, value in line.before.items():
            setattr(row, name, _column(name).to_python(value))
        row.kind = kinds[row.kind_id]
        row.not_permitted, row.updated_at = bounds.not_permitted(row), now
        if row.not_permitted and row.state == RegistrationState.ACCEPTED:
            row.state = RegistrationState.SUBMITTED
    _update(rows, _columns_changed(before, rows))
    if _moves_carriers(Act(batch.act, batch.values)):
        back = [key for line in lines for key in line.withdrew]
        Carrier.objects.filter(pk__in=back).update(withdrawn=False)
        Unit.objects.filter(carrier__in=back).update(withdrawn=False)
        actions.fit_carriers(rows)
    BatchLine.objects.filter(pk__in=[line.pk for line in lines]).update(undone_at=now)
    touch(actor.event)
    changes = {
        row.pk: {
            _column(name).name: [old, getattr(row, name)]
            for name, old in before[row.pk].items()
            if getattr(row, name) != old
        }
        for row in rows
    }
    _record(actor, batch, "undid", reason, rows, _by_code(actor, changes))


def _column(name: str) -> Any:
    return Registration._meta.get_field(name)


def _by_code(actor: Actor, changes: Mapping[int, dict[str, list[Any]]]) -> dict[int, dict[str, list[Any]]]:
    """Zones and kinds in changes by their codes, as everywhere in the journal."""
    codes = {
        "zone": dict(actor.event.zones.values_list("pk", "code")),
        "kind": dict(actor.event.kinds.values_list("pk", "code")),
    }
    return {
        key: {
            name: [codes[name].get(value, value) for value in pair] if name in codes else pair
            for name, pair in fields.items()
        }
        for key, fields in changes.items()
    }
