"""All writes of what is known about the spectrum at a site."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import Any

from django.db import transaction

from apps.common.choice import Choice
from apps.common.errors import Conflict, Fault, Faulty, Stale, require
from apps.events import rules
from apps.events.actions import save_if_unchanged, touch
from apps.events.actors import Actor
from apps.events.models import Department, Event, Zone
from apps.journal import actions as journal
from apps.radio.rasters import Channel
from apps.spectrum.models import KnownLoss, Occupied, Outsider, Permission, PlannedRange, TelevisionChannel
from apps.spectrum.queries import channels_of
from apps.spectrum.rules import (
    refusal_to_mark,
    refusals_of_occupied,
    refusals_of_outsider,
    refusals_of_range,
)


@transaction.atomic
def mark_occupied(*, actor: Actor, label: str, low_hz: int, high_hz: int, **fields: Any) -> Occupied:
    """Keep everybody out of a range that somebody else uses here, or those of some zones or hours. Raises Faulty."""
    require(rules.refusal_to_coordinate(actor))
    given = {"label": label, "low_hz": low_hz, "high_hz": high_hz, **fields}
    row = Occupied(event=actor.event, **given)
    _judge_occupied(row, {})
    row.save()
    touch(actor.event)
    changes = {
        label: {name: [None, value] for name, value in given.items() if value not in ("", [], None, label)}
    }
    journal.record(
        actor=actor, event=actor.event.slug, verb="marked occupied", subject=label, changes=changes
    )
    return row


def _judge_occupied(row: Occupied, fields: Mapping[str, Any]) -> None:
    names = ("label", "low_hz", "high_hz", "zones", "starts_at", "ends_at")
    values = {name: getattr(row, name) for name in names} | dict(fields)
    faults = [
        Fault(0, name, str(values[name] or ""), why)
        for name, why in refusals_of_occupied(row.event, values).items()
    ]
    if row.event.occupied.exclude(pk=row.pk).filter(label=values["label"]).exists():
        faults.append(Fault(0, "label", values["label"], "There is an occupied range of that name already."))
    if faults:
        raise Faulty(faults)


@transaction.atomic
def change_occupied(
    *, actor: Actor, occupied: Occupied, version: int | None = None, **fields: Any
) -> Occupied:
    """Move, rename, limit or source a taken range. Raises Stale, or Faulty."""
    require(rules.refusal_to_coordinate(actor))
    _judge_occupied(occupied, fields)
    changes = save_if_unchanged(occupied, version, occupied.label, **fields)
    touch(actor.event)
    journal.record(
        actor=actor, event=actor.event.slug, verb="changed an occupied range", subject=occupied.label,
        changes={occupied.label: changes},
    )  # fmt: skip
    return occupied


@transaction.atomic
def free_occupied(*, actor: Actor, occupied: Occupied, version: int | None = None) -> None:
    """Raises Stale."""
    require(rules.refusal_to_coordinate(actor))
    if version is not None and version != occupied.version:
        raise Stale(occupied.label, occupied.version)
    changes = {occupied.label: {"low_hz": [occupied.low_hz, None], "high_hz": [occupied.high_hz, None]}}
    occupied.delete()
    touch(actor.event)
    journal.record(
        actor=actor, event=actor.event.slug, verb="marked free", subject=occupied.label, changes=changes
    )


@transaction.atomic
def add_outsider(
    *,
    actor: Actor,
    label: str,
    zone: Zone,
    frequency_hz: int,
    bandwidth_hz: int,
    level_db: float = 0,
    source: str = "",
    sure: bool = True,
    starts_at: datetime | None = None,
    ends_at: datetime | None = None,
) -> Outsider:
    """Enter a transmission that nobody here registers; the plan keeps clear of it. Raises Faulty."""
    require(rules.refusal_to_coordinate(actor))
    code = _next_code(actor.event)
    row = Outsider(
        event=actor.event, code=code, label=label, zone=zone, frequency_hz=frequency_hz, bandwidth_hz=bandwidth_hz,
        level_db=level_db, source=source, sure=sure, starts_at=starts_at, ends_at=ends_at,
    )  # fmt: skip
    _judge_outsider(row, {})
    row.save()
    touch(actor.event)
    changes = {code: {"frequency_hz": [None, frequency_hz], "zone": [None, zone.code]}}
    journal.record(
        actor=actor, event=actor.event.slug, verb="entered an outsider", subject=label, changes=changes
    )
    return row


def _judge_outsider(row: Outsider, fields: Mapping[str, Any]) -> None:
    values = {name: getattr(row, name) for name in ("level_db", "starts_at", "ends_at")} | dict(fields)
    faults = [
        Fault(0, name, str(values[name] or ""), why) for name, why in refusals_of_outsider(values).items()
    ]
    if faults:
        raise Faulty(faults)


def _next_code(event: Event) -> str:
    """One above the highest number given; a removed outsider's code is not given to another while a higher one stands."""
    numbers = [int(code.rsplit("-", 1)[-1]) for code in event.outsiders.values_list("code", flat=True)]
    return f"OUT-{max(numbers, default=0) + 1:03d}"


@transaction.atomic
def change_outsider(
    *, actor: Actor, outsider: Outsider, version: int | None = None, **fields: Any
) -> Outsider:
    require(rules.refusal_to_coordinate(actor))
    _judge_outsider(outsider, fields)
    changes = save_if_unchanged(outsider, version, f"{outsider.code}, {outsider.label}", **fields)
    touch(actor.event)
    plain = {name: [getattr(value, "code", value) for value in values] for name, values in changes.items()}
    journal.record(
        actor=actor,
        event=actor.event.slug,
        verb="changed an outsider",
        subject=outsider.label,
        changes={outsider.code: plain},
    )
    return outsider


@transaction.atomic
def remove_outsider(*, actor: Actor, outsider: Outsider, version: int | None = None) -> None:
    """Raises Stale."""
    require(rules.refusal_to_coordinate(actor))
    if version is not None and version != outsider.version:
        raise Stale(outsider.code, outsider.version)
    changes = {
        outsider.code: {"frequency_hz": [outsider.frequency_hz, None], "zone": [outsider.zone.code, None]}
    }
    outsider.delete()
    touch(actor.event)
    journal.record(
        actor=actor,
        event=actor.event.slug,
        verb="removed an outsider",
        subject=outsider.label,
        changes=changes,
    )


@transaction.atomic
def set_known_loss(
    *, actor: Actor, zones: tuple[Zone, Zone], loss_db: float, note: str, version: int = 0
) -> KnownLoss:
    """Put a figure in place of the model's path loss between two zones, either way. `version` 0: none was there."""
    require(rules.refusal_to_coordinate(actor))
    faults = []
    if zones[0] == zones[1]:
        faults.append(Fault(0, "zones", zones[0].code, "Within a zone its own distances hold; change those."))
    if not 0 < loss_db <= 250:
        faults.append(Fault(0, "loss_db", f"{loss_db:g}", "A path loss lies between 0 and 250 dB."))
    if not note.strip():
        faults.append(Fault(0, "note", "", "Say how it is known: measured when and how, or by whose word."))
    if faults:
        raise Faulty(faults)
    one, other = sorted(zones, key=lambda zone: zone.pk)
    row, new = KnownLoss.objects.get_or_create(
        event=actor.event, one=one, other=other, defaults={"loss_db": loss_db, "note": note.strip()}
    )
    changes: dict[str, Any] = {"loss_db": [None, loss_db], "note": [None, note.strip()]}
    if new and version:
        raise Stale(f"The figure between {one.code} and {other.code}", 0)
    if not new:
        changes = save_if_unchanged(row, version, f"The figure {row}", loss_db=loss_db, note=note.strip())
    touch(actor.event)
    journal.record(
        actor=actor, event=actor.event.slug, verb="set a path loss by hand", subject=str(row), changes={str(row): changes}
    )  # fmt: skip
    return row


@transaction.atomic
def drop_known_loss(*, actor: Actor, known: KnownLoss) -> None:
    """Let the model say again what two zones are apart."""
    require(rules.refusal_to_coordinate(actor))
    changes = {str(known): {"loss_db": [known.loss_db, None], "note": [known.note, None]}}
    known.delete()
    touch(actor.event)
    journal.record(
        actor=actor, event=actor.event.slug, verb="took back a path loss set by hand", subject=str(known), changes=changes
    )  # fmt: skip


@transaction.atomic
def mark_channels(
    *, actor: Actor, choice: Choice, state: str, source: str = "", known_on: date | None = None
) -> int:
    """Say of television channels that they are occupied or free here, how we know and since when; or that it is unknown.

    `choice` names them as raster/name, each at the version that was seen (0: nothing said yet). An occupied channel
    becomes a taken range. Returns how many changed. Raises Conflict when somebody changed one meanwhile.
    """
    require(rules.refusal_to_coordinate(actor))
    rows = {row.key: row for row in channels_of(actor.event)}
    faults = [
        Fault(
            number,
            "channel",
            key,
            "The event's ruleset knows no such television channel; choose from the list.",
        )
        for number, key in enumerate(choice.versions, 1)
        if key not in rows
    ]
    faults += [
        Fault(number, "channel", key, f"{rows[key].label.capitalize()} cannot be free: {rows[key].reserved}")
        for number, key in enumerate(choice.versions, 1)
        if state == "free" and key in rows and rows[key].reserved
    ]
    refused = refusal_to_mark(state, source, known_on)
    faults += [Fault(0, field, "", text) for field, text in refused.items()]
    if faults:
        raise Faulty(faults)
    if not choice:
        raise Conflict("Tick the channels that are meant, then say what is known of them.")
    choice.refuse_changed({key: row.version for key, row in rows.items()})
    changes: dict[str, Any] = {}
    for key in choice.versions:
        before = rows[key].state
        marked = rows[key].mark
        if marked is not None:
            _unmark(marked)
        if known_on is not None and state != "unknown":
            version = marked.version + 1 if marked else 1
            _mark(
                actor.event,
                rows[key].raster,
                rows[key].channel,
                state == "occupied",
                source,
                known_on,
                version,
            )
        changes[rows[key].label] = {
            "state": [before, state],
            "source": [marked.source if marked else "", source],
        }
    touch(actor.event)
    journal.record(
        actor=actor, event=actor.event.slug, verb=f"marked television channels {state}",
        subject=", ".join(changes)[:200], changes=changes, reason=source,
    )  # fmt: skip
    return len(changes)


def _unmark(row: TelevisionChannel) -> None:
    taken = row.taken
    row.delete()
    if taken is not None:
        taken.delete()


def _mark(
    event: Event,
    raster: str,
    channel: Channel,
    occupied: bool,
    source: str,
    known_on: date,
    version: int,
) -> None:
    taken = None
    label = f"television channel {channel.name}"
    if occupied:
        taken, new = Occupied.objects.get_or_create(
            event=event, label=label,
            defaults={"low_hz": channel.low_hz, "high_hz": channel.high_hz, "source": source},
        )  # fmt: skip
        if not new:
            text = f"There is a taken range named «{label}» already; free it among the surroundings, then mark the channel."
            raise Conflict(text)
    TelevisionChannel.objects.create(
        event=event, raster=raster, name=channel.name, occupied=occupied, source=source, known_on=known_on, taken=taken,
        version=version,
    )  # fmt: skip


# -- the band plan --------------------------------------------------------------------------


@transaction.atomic
def plan_range(*, actor: Actor, **fields: Any) -> PlannedRange:
    """Offer a range, keep it from some, or keep it empty for late arrivals; the next run obeys. Raises Faulty."""
    require(rules.refusal_to_coordinate(actor))
    row = PlannedRange(event=actor.event, **fields)
    _judge_range(row, fields)
    row.save()
    touch(actor.event)
    journal.record(
        actor=actor, event=actor.event.slug, verb="added to the band plan", subject=row.label,
        changes={row.label: {name: [None, value] for name, value in fields.items() if value not in ("", [])}},
    )  # fmt: skip
    return row


@transaction.atomic
def change_planned_range(
    *, actor: Actor, row: PlannedRange, version: int | None = None, **fields: Any
) -> PlannedRange:
    """Raises Stale, or Faulty with every fault."""
    require(rules.refusal_to_coordinate(actor))
    _judge_range(row, fields)
    changes = save_if_unchanged(row, version, row.label, **fields)
    touch(actor.event)
    journal.record(
        actor=actor, event=actor.event.slug, verb="changed the band plan", subject=row.label, changes={row.label: changes}
    )  # fmt: skip
    return row


@transaction.atomic
def drop_planned_range(*, actor: Actor, row: PlannedRange, version: int | None = None) -> None:
    """Take a range out of the band plan. Raises Stale."""
    require(rules.refusal_to_coordinate(actor))
    if version is not None and version != row.version:
        raise Stale(row.label, row.version)
    changes = {row.label: {"low_hz": [row.low_hz, None], "high_hz": [row.high_hz, None]}}
    row.delete()
    touch(actor.event)
    journal.record(
        actor=actor, event=actor.event.slug, verb="took out of the band plan", subject=row.label, changes=changes
    )  # fmt: skip


def _judge_range(row: PlannedRange, fields: Mapping[str, Any]) -> None:
    names = ("low_hz", "high_hz", "departments", "kinds", "zones")
    values = {name: getattr(row, name) for name in names} | dict(fields)
    faults = [
        Fault(0, name, str(values[name]), why) for name, why in refusals_of_range(row.event, values).items()
    ]
    label = fields.get("label", row.label)
    if row.event.band_plan.exclude(pk=row.pk).filter(label=label).exists():
        faults.append(Fault(0, "label", label, "There is a range of that name in the band plan already."))
    if faults:
        raise Faulty(faults)


# -- permissions ----------------------------------------------------------------------------


@transaction.atomic
def write_permissions(
    *, actor: Actor, rows: Iterable[tuple[Permission | None, Mapping[str, Any], int | None]]
) -> list[Permission]:
    """Write down what was asked for or answered: each an existing permission (None: a new one), fields, and version.

    The fields are judged already; the marks of lines are the caller's to look at again. Raises Stale.
    """
    require(rules.refusal_to_coordinate(actor))
    written, number = [], _last_number(actor.event)
    by_department: dict[str, dict[str, Any]] = defaultdict(dict)
    for existing, values, version in rows:
        before = existing.department if existing else None
        if existing is None:
            number += 1
            row = Permission.objects.create(event=actor.event, code=f"PER-{number:03d}", **values)
            changes = {name: [None, value] for name, value in values.items() if value not in (None, "", [])}
        else:
            row, changes = existing, save_if_unchanged(existing, version, existing.code, **values)
        written.append(row)
        if changes:
            department = row.department or before
            by_department[department.code if department else ""][row.code] = _plain(changes)
    if by_department:
        touch(actor.event)
    for code, found in sorted(by_department.items()):
        journal.record(
            actor=actor, event=actor.event.slug, verb="wrote down permissions", department=code,
            subject=next(iter(found)) if len(found) == 1 else f"{len(found)} permissions", changes=found,
        )  # fmt: skip
    return written


def _last_number(event: Event) -> int:
    """The highest number given; one writer of permissions of an event at a time, so that it is given once."""
    Event.objects.select_for_update().get(pk=event.pk)
    codes = event.permissions.values_list("code", flat=True)
    return max((int(code.rsplit("-", 1)[-1]) for code in codes), default=0)


def _plain(changes: dict[str, list[Any]]) -> dict[str, list[Any]]:
    return {
        name: [value.code if isinstance(value, Department) else value for value in values]
        for name, values in changes.items()
    }
