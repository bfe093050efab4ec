"""Other workers join a run: each searches the same frozen problem with a seed of its own, and the best plan is kept.

The run's holder alone ends the run. Whoever joins writes its result into a row of its own, under a lease; the holder waits
for leases that hold, never for a worker that died.
"""

import time
from collections.abc import Callable
from typing import Any

from django.conf import settings
from django.db import IntegrityError, transaction
from django.utils import timezone

from apps.common.leases import lease
from apps.planning import documents
from apps.planning.models import FurtherSearch, Run
from apps.planning.states import ACTIVE, RunState
from apps.solver import merit

WORTH_JOINING = 0.2  # the share of a run's time that has to be left
GRACE_S = 2.0  # for the last words of a search whose time is up


def join(run_id: int, worker: str) -> FurtherSearch | None:
    """Take a seed of a run that somebody else holds; None when the run needs nobody (any more)."""
    run = Run.objects.select_related("event").filter(pk=run_id, state=RunState.RUNNING).first()
    if run is None or run.cancel_requested or seconds_left(run) < WORTH_JOINING * run.seconds:
        return None
    taken = set(run.further.values_list("seed", flat=True))
    for seed in range(run.seed + 1, run.seed + settings.RUN_WORKERS):
        if seed not in taken:
            try:
                with transaction.atomic():
                    return FurtherSearch.objects.create(
                        run=run, seed=seed, claimed_by=worker, lease_until=lease(timezone.now())
                    )
            except IntegrityError:
                continue  # another worker was quicker
    return None


def seconds_left(run: Run) -> float:
    began = run.started_at or timezone.now()
    return run.seconds - (timezone.now() - began).total_seconds()


def keep_alive(search: FurtherSearch, **progress: Any) -> bool | None:
    """Renew the lease and note progress. True: stop, somebody asked for it; None: nobody waits for the result any more."""
    mine = FurtherSearch.objects.filter(pk=search.pk, run__state__in=ACTIVE)
    noted = {name: progress[name] for name in ("placed", "left_out", "penalty") if name in progress}
    if not mine.update(lease_until=lease(timezone.now()), **noted):
        return None
    return mine.values_list("run__cancel_requested", flat=True).first()


def finish(search: FurtherSearch, result: dict[str, Any]) -> None:
    """Lay a result where the holder of the run finds it."""
    cost = result["cost"]
    FurtherSearch.objects.filter(pk=search.pk).update(
        lease_until=None, result=documents.packed(result), penalty=cost["penalty"],
        placed=search.run.carriers - len(result["unplaced"]), left_out=len(result["unplaced"]),
    )  # fmt: skip


def give_up(search: FurtherSearch) -> None:
    """Whatever went wrong here, the run goes on without it."""
    FurtherSearch.objects.filter(pk=search.pk).update(lease_until=None)


def wait_for_others(run: Run, should_stop: Callable[[], bool]) -> None:
    """Return when nobody else searches for the run, or the run's time is up."""
    while not should_stop() and seconds_left(run) > -GRACE_S:
        if not run.further.filter(lease_until__gt=timezone.now()).exists():
            return
        time.sleep(settings.RUN_HEARTBEAT_S / 4)


def best(run: Run, own: dict[str, Any]) -> dict[str, Any]:
    """The best of the holder's own result and those that were laid beside it."""
    others = run.further.exclude(result=None).values_list("result", flat=True)
    return min([own, *(documents.unpacked(content) for content in others if content)], key=merit)
