"""Taking turns at rows: the row is the truth, and the queue a doorbell that may ring twice, in vain, or never.

A turn is a lease with a number. Of two workers the later number counts, and whoever is killed loses the turn when its
lease runs out. A row that keeps failing is left quiet for longer and longer.
"""

from datetime import datetime, timedelta
from typing import TypeVar

from celery import current_app
from django.conf import settings
from django.db.models import F, Q, QuerySet
from django.utils import timezone

from apps.publishing.models import Turn

READ, DELIVER, WRITE = "publishing.read", "publishing.deliver", "publishing.write"  # the tasks of tasks.py
Row = TypeVar("Row", bound=Turn)


def ring(rows: QuerySet[Row], task: str) -> None:
    """Tell the workers of those rows that nobody is at, that may be looked at again, and of which they do not know yet."""
    now = timezone.now()
    unheard = Q(rung_at=None) | Q(rung_at__lt=now - timedelta(seconds=settings.POST_LEASE_S))
    for key in list(rows.filter(unheard, _free(now)).values_list("pk", flat=True)):
        if rows.model._default_manager.filter(unheard, _free(now), pk=key).update(rung_at=now):
            current_app.send_task(task, args=[key], queue="quick")


def take(model: type[Row], key: int) -> Row | None:
    """Take the turn; None when somebody else has it, or the row is to be left quiet."""
    now = timezone.now()
    taken = model._default_manager.filter(_free(now), pk=key).update(
        turn=F("turn") + 1, lease_until=_lease(now), rung_at=None
    )
    return model._default_manager.get(pk=key) if taken else None


def keep(row: Turn) -> bool:
    """Renew the lease; False when the turn is somebody else's by now. In a transaction nobody takes it before its end."""
    return _mine(row).update(lease_until=_lease(timezone.now())) == 1


def leave(row: Turn) -> None:
    """End the turn."""
    _mine(row).update(lease_until=None)


def failed(row: Turn, at_least_s: float = 0) -> None:
    """Leave the row quiet for a while, longer after each failure in a row, and no shorter than `at_least_s`."""
    row.failures += 1
    row.quiet_until = timezone.now() + timedelta(seconds=max(at_least_s, wait_s(row.failures)))
    _mine(row).update(failures=row.failures, quiet_until=row.quiet_until)


def succeeded(row: Turn) -> None:
    """Forget the failures before."""
    if row.failures:
        row.failures, row.quiet_until = 0, None
        _mine(row).update(failures=0, quiet_until=None)


def wait_s(failures: int) -> float:
    """Seconds to wait after so many failures in a row, from the settings."""
    waits = settings.POST_WAITS_S
    return float(waits[min(failures, len(waits)) - 1])


def _mine(row: Turn) -> QuerySet[Turn]:
    return type(row)._default_manager.filter(pk=row.pk, turn=row.turn)


def _free(now: datetime) -> Q:
    nobody = Q(lease_until=None) | Q(lease_until__lt=now)
    return nobody & (Q(quiet_until=None) | Q(quiet_until__lte=now))


def _lease(now: datetime) -> datetime:
    return now + timedelta(seconds=settings.POST_LEASE_S)
