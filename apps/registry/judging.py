"""What rows would do, before anything is saved: new, changed, unchanged or faulty, each with what would change."""

import hashlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from apps.common.errors import Fault
from apps.events.actors import Actor
from apps.events.models import Department
from apps.registry import rules
from apps.registry.lines import REQUIRED, Line, Reading, read_lines
from apps.registry.models import Registration
from apps.registry.states import RegistrationState

# What an update compares; everything a line can say of a registration.
FIELDS = (
    "external_id", "label", "kind", "zone", "quantity", "units", "spares", "starts_at", "ends_at", "stretches", "priority",
    "power_mw", "fixed_hz", "low_hz", "high_hz", "can_change", "contact", "notes", "settings",
)  # fmt: skip


class Status(StrEnum):
    NEW = "new"
    CHANGED = "changed"
    UNCHANGED = "unchanged"
    FAULTY = "faulty"


@dataclass
class Judgement:
    """One row's verdict. `changes` is {field: [old, new]} in our own types; empty unless new or changed."""

    row: int
    external_id: str
    label: str
    status: Status
    faults: list[Fault]
    line: Line | None = None
    existing: Registration | None = None
    changes: dict[str, list[Any]] | None = None


def judge(
    actor: Actor,
    rows: Iterable[Mapping[str, Any]],
    on_progress: Callable[[float], None] | None = None,
    *,
    all_new: bool = False,
) -> list[Judgement]:
    """Judge every row against what is there. Reads only; five queries however many rows there are.

    With `all_new` whoever wrote the rows means new lines: one that is there already is a duplicate and not a change.
    `on_progress` hears now and then which share of the rows is judged.
    """
    read = read_lines(actor, rows)
    known = _Known({line.department for _, line in read if line})
    judged = []
    for number, (reading, line) in enumerate(read):
        if on_progress and number % 1000 == 0:
            on_progress(number / len(read))
        if all_new and line:
            _refuse_duplicate(reading, known.find(line))
        judged.append(_judge(reading, line, known))
    return judged


class _Known:
    """The registrations of the departments concerned, by the caller's id and by label."""

    def __init__(self, departments: set[Department]) -> None:
        found = Registration.objects.filter(department__in=departments).select_related(
            "department", "zone", "kind"
        )
        self.by_key: dict[tuple[int, int], Registration] = {}
        self.by_id: dict[tuple[int, str], Registration] = {}
        self.by_label: dict[tuple[int, str], Registration] = {}
        for registration in found.prefetch_related("kind__roles"):
            self.by_key[registration.department_id, registration.pk] = registration
            if registration.external_id:
                self.by_id[registration.department_id, registration.external_id] = registration
            if registration.state != RegistrationState.WITHDRAWN:
                self.by_label[registration.department_id, registration.label] = registration

    def find(self, line: Line) -> Registration | None:
        """Our own number decides where it is given, then the caller's id; else the label, unless that row has another id."""
        if line.key is not None:
            return self.by_key.get((line.department.pk, line.key))
        own, label = line.values.get("external_id"), line.values.get("label")
        if own and (found := self.by_id.get((line.department.pk, own))):
            return found
        found = self.by_label.get((line.department.pk, label)) if label else None
        return None if found and own and found.external_id and found.external_id != own else found


def _judge(reading: Reading, line: Line | None, known: _Known) -> Judgement:
    raw = reading.raw
    own, label = str(raw.get("external_id") or "").strip(), str(raw.get("label") or "").strip()
    judged = Judgement(reading.row, own, label, Status.FAULTY, reading.faults, line)
    if line is None:
        return judged
    existing = judged.existing = known.find(line)
    if existing is None and line.key is not None:
        reading.fault("id", "There is no such line in this department; leave it out for a new one.")
    if existing is None:
        _complete(reading, line)
    _agrees_with_others(reading, line, existing, known)
    values = (
        line.values
        if existing is None
        else {**{name: getattr(existing, name) for name in FIELDS}, **line.values}
    )
    # What could be read is held against its kind even where something else could not: all faults at once.
    faulted = {fault.field for fault in reading.faults}
    merged = {name: value for name, value in values.items() if name not in faulted}
    rules.judge_line(reading, merged)
    if reading.faults:
        return judged
    # The rule may have completed what the line left open.
    if "can_change" in merged and (
        existing is None or "can_change" in line.values or "fixed_hz" in line.values
    ):
        line.values["can_change"] = merged["can_change"]
    judged.label = str(line.values.get("label", label))
    judged.changes = _changes(line, existing, str(raw.get("state") or "").strip())
    judged.status = Status.NEW if existing is None else Status.CHANGED if judged.changes else Status.UNCHANGED
    return judged


def _refuse_duplicate(reading: Reading, there: Registration | None) -> None:
    if there is None:
        return
    name = "label" if there.label == str(reading.raw.get("label") or "").strip() else "external_id"
    state = f", {there.state}" if there.state != RegistrationState.ACCEPTED else ""
    reading.fault(
        name,
        f"{there.department.code} has this line already: «{there.label}», {there.quantity} × {there.kind.name}, "
        f"{there.zone.name}{state}. Change that one, or give this one another {name.replace('_', ' ')}.",
    )


def _complete(reading: Reading, line: Line) -> None:
    faulted = {fault.field for fault in reading.faults}
    for name in REQUIRED:
        if name != "department" and name not in line.values and name not in faulted:
            reading.fault(name, f"A new line needs a {name}.", "")


def _agrees_with_others(reading: Reading, line: Line, existing: Registration | None, known: _Known) -> None:
    other = known.by_label.get((line.department.pk, line.values.get("label", "")))
    if other and existing is not None and other.pk != existing.pk:
        reading.fault(
            "label", f"{line.department.code} has another line of this label; rename one of the two."
        )
    elif other and existing is None:
        reading.fault(
            "label",
            f"{line.department.code} has a line of this label under its own number "
            f"«{other.external_id}»; use that number, or another label.",
        )
    if existing and line.version is not None and line.version != existing.version:
        reading.fault(
            "version",
            f"Changed in the meantime: it is at version {existing.version}. Read it again, then repeat your change.",
            line.version,
        )


def _changes(line: Line, existing: Registration | None, said: str) -> dict[str, list[Any]]:
    """What the line would change. An exported line that comes back as it went, its state with it, submits nothing again."""
    if existing is None:
        return {name: [None, value] for name, value in line.values.items()}
    changes = {
        name: [getattr(existing, name), value]
        for name, value in line.values.items()
        if getattr(existing, name) != value
    }
    rests = existing.state in (RegistrationState.WITHDRAWN, RegistrationState.SENT_BACK)
    if rests and (changes or said != existing.state):
        changes["state"] = [existing.state, RegistrationState.SUBMITTED]
    return changes


def fingerprint(judgements: Iterable[Judgement]) -> str:
    """The same for judgements that would write the same: what a page showed is what is saved, or nothing is."""
    said = [
        (judged.row, judged.status.value, judged.existing.version if judged.existing else 0, judged.changes)
        for judged in judgements
    ]
    return hashlib.sha256(repr(said).encode()).hexdigest()[:16]
