"""Other workers join a run with seeds of their own: what they find is kept, whoever of them dies, and the best plan wins.

The oracle is the solver itself, asked for each seed in this process without any queue or database.
"""

from datetime import timedelta

import pytest
from django.utils import timezone

from apps.planning import documents, joining, running, working
from apps.planning.models import FurtherSearch, Run, RunDocument
from apps.planning.states import RunState
from apps.solver import read_problem, solve
from tests.site import Site, line, make_site, register

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.store]
SECONDS = 30.0  # a ceiling: each search ends by itself long before


@pytest.fixture
def run(settings) -> Run:
    """A run that somebody holds, of an event too crowded to place all, and to which two more may come."""
    settings.RUN_WORKERS = 3
    site: Site = make_site()
    register(site.lead, line("crowd", quantity=14, low_hz=470_000_000, high_hz=473_000_000))
    asked = running.request_run(actor=site.coordinator, seconds=SECONDS)
    held = running.claim(asked.pk, "the first")
    assert held is not None
    return held


def found_alone(run: Run) -> dict[int, dict]:
    """What each seed finds by itself."""
    problem = read_problem(documents.read(run, RunDocument.Role.PROBLEM))
    return {seed: solve(problem, seconds=SECONDS, seed=seed).document() for seed in range(3)}


def test_each_who_joins_takes_a_seed_until_there_are_enough(run: Run) -> None:
    assert [joining.join(run.pk, name).seed for name in ("one", "two")] == [1, 2]
    assert joining.join(run.pk, "three") is None
    assert {row.claimed_by for row in run.further.all()} == {"one", "two"}


@pytest.mark.parametrize("change", [
    {"state": RunState.DONE}, {"state": RunState.QUEUED}, {"cancel_requested": True},
    {"started_at": timezone.now() - timedelta(seconds=0.9 * SECONDS)},
])  # fmt: skip
def test_nobody_joins_what_has_ended_is_to_end_or_is_nearly_over(run: Run, change: dict) -> None:
    Run.objects.filter(pk=run.pk).update(**change)
    assert joining.join(run.pk, "one") is None
    assert not FurtherSearch.objects.exists()


def test_what_others_found_outlives_the_holder_and_the_best_is_kept(run: Run) -> None:
    working.work(run.pk, "the second")
    working.work(run.pk, "the third")
    assert [row.seed for row in run.further.exclude(result=None)] == [1, 2]
    Run.objects.filter(pk=run.pk).update(lease_until=timezone.now() - timedelta(seconds=1))
    running.sweep()  # the first has died
    working.work(run.pk, "the fourth")
    run.refresh_from_db()
    alone = found_alone(run)
    best = min(alone.values(), key=lambda document: (
        len(document["unplaced"]), len(document["moved"]), document["cost"]["penalty"], document["seed"]
    ))  # fmt: skip
    assert (run.state, run.attempt, run.best_seed) == (RunState.DONE, 2, best["seed"])
    kept = documents.read(run, RunDocument.Role.RESULT)
    assert kept["assignments"] == best["assignments"]
    assert (run.placed, run.penalty) == (len(best["assignments"]), best["cost"]["penalty"])
    for row in run.further.all():
        assert documents.unpacked(row.result)["assignments"] == alone[row.seed]["assignments"]


def test_the_holder_waits_for_a_lease_that_holds_and_for_no_other(run: Run) -> None:
    asked: list[int] = []

    def should_stop() -> bool:
        """Asked before each look: after the third look the other ends."""
        asked.append(1)
        if len(asked) == 3:
            run.further.update(lease_until=None)
        return False

    search = joining.join(run.pk, "one")
    joining.wait_for_others(run, should_stop)
    assert len(asked) == 3
    FurtherSearch.objects.filter(pk=search.pk).update(lease_until=timezone.now() - timedelta(seconds=1))
    joining.wait_for_others(run, should_stop)
    assert len(asked) == 4


def test_who_joined_hears_of_the_end_and_of_a_wish_to_stop(run: Run) -> None:
    search = joining.join(run.pk, "one")
    assert joining.keep_alive(search, placed=3, stage="of no interest here") is False
    assert FurtherSearch.objects.get().placed == 3
    Run.objects.filter(pk=run.pk).update(cancel_requested=True)
    assert joining.keep_alive(search) is True
    Run.objects.filter(pk=run.pk).update(state=RunState.CANCELLED)
    assert joining.keep_alive(search) is None


def test_one_worker_rings_once_and_is_joined_by_nobody(settings) -> None:
    settings.RUN_WORKERS = 1
    site = make_site()
    register(site.lead, line("few", quantity=3))
    run = running.request_run(actor=site.coordinator, seconds=SECONDS)
    working.work(run.pk, "the only one")
    working.work(run.pk, "a second message")
    run.refresh_from_db()
    assert (run.state, run.best_seed, run.further.count()) == (RunState.DONE, 0, 0)
