"""Undoing what was done to many lines: what has come to depend on it since stays; the rest goes back as it was."""

import hashlib
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from django.db import transaction
from django.db.models import Q

from apps.common.errors import Conflict
from apps.events.actors import Actor
from apps.planning.models import Assignment
from apps.planning.states import AGREED
from apps.publishing.models import Edition, EditionLine
from apps.registry import batching
from apps.registry.models import Batch, BatchLine, Carrier

NAMED = 3


@dataclass(frozen=True)
class Outlook:
    """What undoing a batch would do now: lines that go back, lines that stay with the reasons why, lines undone already."""

    free: list[BatchLine]
    tied: list[tuple[BatchLine, list[str]]]
    undone: list[BatchLine]

    @property
    def digest(self) -> str:
        """The same for outlooks on the same lines."""
        said = [line.pk for line in self.free]
        return hashlib.sha256(repr(said).encode()).hexdigest()[:16]


def outlook(batch: Batch) -> Outlook:
    """Ask of every line what has come to depend on it. A constant number of queries."""
    lines = list(
        batch.lines.select_related(
            "registration__department", "registration__zone", "registration__kind"
        ).order_by("registration__department__code", "registration__label", "pk")
    )
    standing = [line for line in lines if line.undone_at is None]
    against = batching.against_putting_back(standing)
    depends = dependants(batch, standing)
    free, tied = [], []
    for line in standing:
        why = [*filter(None, [against.get(line.pk, "")]), *depends[line.registration_id]]
        if why:
            tied.append((line, why))
        else:
            free.append(line)
    return Outlook(free, tied, [line for line in lines if line.undone_at is not None])


def dependants(batch: Batch, lines: Iterable[BatchLine]) -> dict[int, list[str]]:
    """What was agreed or published after the batch for carriers of its lines, in words; {registration's pk: words}."""
    lines = list(lines)
    keys = [line.registration_id for line in lines]
    codes = dict(Carrier.objects.filter(registration__in=keys).values_list("code", "registration"))
    found: dict[int, list[str]] = defaultdict(list)
    since = Q(approved_at__gt=batch.made_at) | Q(locked_at__gt=batch.made_at)
    agreed = Assignment.objects.filter(since, carrier__registration__in=keys, state__in=AGREED)
    by_line: dict[int, list[str]] = defaultdict(list)
    for code in agreed.order_by("carrier__code").values_list("carrier__code", flat=True):
        by_line[codes[code]].append(code)
    for key, some in by_line.items():
        more = f" and {len(some) - NAMED} more" if len(some) > NAMED else ""
        found[key].append(f"Agreed in the plan since: {', '.join(some[:NAMED])}{more}.")
    for key, numbers in _editions(batch, codes).items():
        found[key].append(f"It stands in edition {_listed(numbers)}.")
    gone = [line for line in lines if line.withdrew]
    later = _editions_since(batch) if gone else []
    for line in gone:
        whose = ("", line.registration.department.code)
        if numbers := {number for number, department in later if department in whose}:
            found[line.registration_id].append(f"Published without it: edition {_listed(numbers)}.")
    return found


def _editions_since(batch: Batch) -> list[tuple[int, str]]:
    later = Edition.objects.filter(event=batch.event_id, published_at__gt=batch.made_at)
    return list(later.order_by("number").values_list("number", "department"))


def _editions(batch: Batch, codes: dict[str, int]) -> dict[int, set[int]]:
    """The editions published after the batch that hold carriers of these lines."""
    since = EditionLine.objects.filter(
        edition__event=batch.event_id, edition__published_at__gt=batch.made_at, carrier__in=codes
    )
    found: dict[int, set[int]] = defaultdict(set)
    for code, number in since.order_by().values_list("carrier", "edition__number").distinct():
        found[codes[code]].add(number)
    return found


def _listed(numbers: Iterable[int]) -> str:
    return ", ".join(map(str, sorted(numbers)))


@transaction.atomic
def undo(*, actor: Actor, batch: Batch, reason: str, seen: str | None = None) -> int:
    """Put back every line of a batch on which nothing depends. Returns how many.

    `seen` is the digest of the outlook that somebody looked at. Raises Conflict when by now it would be another one,
    or when nothing can be undone; Faulty without a reason.
    """
    now = outlook(batch)
    if seen is not None and seen != now.digest:
        raise Conflict("Other lines can be undone by now than when you looked. Look again.")
    batching.put_back(actor=actor, batch=batch, keys=[line.pk for line in now.free], reason=reason)
    return len(now.free)
