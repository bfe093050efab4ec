"""Writing down permissions: with every answer the marks of the lines that it reaches are looked at again.

The permissions themselves belong to spectrum; what they lift belongs here.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils import timezone

from apps.common.errors import Conflict, Faulty, require
from apps.events.actors import Actor, the_service
from apps.events.models import Event
from apps.events.rules import refusal_to_coordinate
from apps.journal import actions as journal
from apps.registry import asking
from apps.registry.actions import mark_again
from apps.registry.judging import Status
from apps.registry.models import Registration
from apps.spectrum import actions as spectrum
from apps.spectrum.models import Permission
from apps.spectrum.states import PermissionState


@transaction.atomic
def answer(
    *,
    actor: Actor,
    rows: Iterable[Mapping[str, Any]],
    seen: str | None = None,
    all_or_nothing: bool = True,
) -> list[asking.Answer]:
    """Write down what was asked for, granted, refused or ran out: the one room behind all doors.

    With `all_or_nothing` one faulty row keeps all of them out; otherwise the good rows are saved. `seen` is the
    fingerprint of the verdicts that somebody looked at. Raises Faulty with every fault of every row,
    Conflict when the rows would do something else by now.
    """
    require(refusal_to_coordinate(actor))
    answers = asking.judge(actor, rows)
    faults = [fault for judged in answers for fault in judged.faults]
    if faults and all_or_nothing:
        raise Faulty(faults)
    if seen is not None and seen != asking.fingerprint(answers):
        raise Conflict("The permissions changed since these rows were judged. Look at them again.")
    writing = [row for row in answers if row.status in (Status.NEW, Status.CHANGED)]
    written = spectrum.write_permissions(
        actor=actor, rows=[(row.existing, row.values, row.version) for row in writing]
    )
    for row, permission in zip(writing, written, strict=True):
        row.existing, row.code = permission, permission.code
    _mark(actor)
    return answers


@transaction.atomic
def ask(*, actor: Actor, needs: Iterable[str]) -> list[asking.Answer]:
    """Note needs (by their keys) as asked for; the list of them then goes out to whoever decides."""
    wanted = set(needs)
    chosen = [need.row for need in asking.needs_of(actor) if need.key in wanted]
    if len(chosen) < len(wanted) or not chosen:
        raise Conflict(
            "What has to be asked for changed since you looked. Look again, then repeat your choice."
        )
    return answer(actor=actor, rows=chosen)


def lapse_overdue(at: datetime) -> int:
    """End what was granted until a moment that has passed, in every event; the lines on it are marked again."""
    overdue = Permission.objects.filter(state=PermissionState.GRANTED, until__lte=at)
    by_event: dict[int, list[Permission]] = defaultdict(list)
    for row in overdue.select_related("department"):
        by_event[row.event_id].append(row)
    for event in Event.objects.filter(pk__in=by_event):
        with transaction.atomic():
            actor = the_service(event)
            values = {"state": PermissionState.LAPSED.value}
            spectrum.write_permissions(actor=actor, rows=[(row, values, None) for row in by_event[event.pk]])
            _mark(actor)
    return sum(map(len, by_event.values()))


def sweep() -> None:
    """What worker processes do now and then: end the permissions whose time is over."""
    lapse_overdue(timezone.now())


def _mark(actor: Actor) -> None:
    before = dict(
        Registration.objects.filter(event=actor.event)
        .values_list("pk", "not_permitted")
        .exclude(not_permitted="")
    )
    by_department: dict[str, list[Registration]] = defaultdict(list)
    for row in mark_again(actor, Registration.objects.filter(event=actor.event)):
        by_department[row.department.code].append(row)
    for code, rows in sorted(by_department.items()):
        journal.record(
            actor=actor, event=actor.event.slug, verb="marked lines by what is permitted", department=code,
            subject=rows[0].label if len(rows) == 1 else f"{len(rows)} lines",
            changes={row.label: {"not_permitted": [before.get(row.pk, ""), row.not_permitted]} for row in rows},
        )  # fmt: skip
