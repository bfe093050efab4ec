"""Work that one worker at a time holds: the row is the truth, and the queue a doorbell that may ring twice, in vain, or never.

A worker takes a waiting row under a lease, which it renews while it works. `attempt` is the fencing number: every further step
is one conditional update that must touch exactly the row of that attempt, so that any number of workers, killed at any moment,
write one end. Whose lease ran out is put back by whoever sweeps.

The model has `state`, `attempt`, `lease_until` (empty: nobody holds it) and `rung_at` (when workers were last told of it).
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Generic, TypeVar

from django.conf import settings
from django.db.models import F, Model, Q, QuerySet
from django.utils import timezone

Row = TypeVar("Row", bound=Model)


@dataclass(frozen=True)
class Work(Generic[Row]):
    """One kind of work: the rows, the states in which they wait and are worked at, how to tell workers of a row."""

    rows: Callable[[], QuerySet[Row]]  # with whatever a worker or the sweep reads along
    waiting: str
    working: str
    ring: Callable[[int], None]

    def claim(self, key: int, **values: Any) -> Row | None:
        """Take a waiting row; None when somebody else has it, or it has ended."""
        taken = self.rows().filter(pk=key, state=self.waiting)
        if not taken.update(
            state=self.working, attempt=F("attempt") + 1, lease_until=lease(timezone.now()), **values
        ):
            return None
        return self.rows().get(pk=key)

    def mine(self, row: Any) -> QuerySet[Row]:
        """The row as long as this attempt holds it."""
        return self.rows().filter(pk=row.pk, attempt=row.attempt, state=self.working)

    def keep_alive(self, row: Any, **progress: Any) -> bool:
        """Renew the lease and note progress; False when the row is no longer ours."""
        return self.mine(row).update(lease_until=lease(timezone.now()), **progress) == 1

    def end(self, row: Any, state: str, **values: Any) -> bool:
        """Write the end; False, and nothing written, when the row is no longer ours."""
        return self.mine(row).update(state=state, lease_until=None, **values) == 1

    def sweep(self, exhausted: Callable[[Any], bool], give_up: Callable[[Any], object], **again: Any) -> None:
        """Put back rows whose worker fell silent, and ring again for those that nobody took: the message may be lost.

        Rows over which too many workers died are given up instead. `again` is written to those put back.
        """
        now = timezone.now()
        for row in self.rows().filter(state=self.working, lease_until__lt=now):
            if exhausted(row):
                give_up(row)
            elif (
                self.mine(row)
                .filter(lease_until__lt=now)
                .update(state=self.waiting, lease_until=None, rung_at=now, **again)
            ):
                self.ring(row.pk)
        unheard = Q(rung_at=None) | Q(rung_at__lt=now - timedelta(seconds=settings.RUN_LEASE_S))
        waiting = self.rows().filter(unheard, state=self.waiting)
        for key in waiting.values_list("pk", flat=True):
            if waiting.filter(pk=key).update(rung_at=now):
                self.ring(key)


def lease(now: datetime) -> datetime:
    """Until when a lease holds that is taken or renewed now."""
    return now + timedelta(seconds=settings.RUN_LEASE_S)
