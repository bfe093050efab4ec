"""What a worker does with a run: read the frozen problem, solve, recount, write the end; or search beside who holds it.

The bridge to the solver.
"""

import logging
import math
import threading
from collections.abc import Callable
from functools import partial
from typing import Any

from django.conf import settings
from django.db import close_old_connections, connection

from apps.planning import documents, joining, running
from apps.planning.models import FurtherSearch, Run, RunDocument
from apps.solver import MalformedProblem, Problem, Progress, read_problem, solve, verify

log = logging.getLogger(__name__)


def work(run_id: int, worker: str) -> None:
    """Carry one run to its end, or join it when somebody else holds it. Returns quietly when there is nothing to do."""
    run = running.claim(run_id, worker)
    if run is None:
        search = joining.join(run_id, worker)
        if search is not None:
            search_beside(search)
        return
    with Heartbeat(partial(running.keep_alive, run), f"run {run.pk}") as heart:
        try:
            result, worst_load_db = _solved(run, heart)
        except MalformedProblem as malformed:
            faults = "; ".join(f"{fault.path}: {fault.message}" for fault in malformed.faults[:3])
            running.fail(
                run,
                f"The event as it stands is no problem that the solver can read; the plan is unchanged. {faults}",
            )
            return
        except Exception as error:
            log.exception("run %s of %s failed", run.number, run.event.slug)
            running.fail(
                run,
                f"The solver met an error that it did not expect ({type(error).__name__}: {error}); the plan is unchanged. "
                "Ask for the run again; if it fails again, show this sentence to whoever runs the service.",
            )
            return
    if not heart.lost:
        running.finish(run, result, worst_load_db, cancelled=heart.stop_asked)


def search_beside(search: FurtherSearch) -> None:
    """Search a run's problem with another seed and lay the result beside; what goes wrong here harms nobody."""
    run = search.run
    with Heartbeat(partial(joining.keep_alive, search), f"a search beside run {run.pk}") as heart:
        try:
            problem = read_problem(documents.read(run, RunDocument.Role.PROBLEM))
            result = solve(
                problem, seconds=max(0.1, joining.seconds_left(run)), seed=search.seed,
                on_progress=_teller(run, problem, heart), should_stop=heart.should_stop,
            )  # fmt: skip
        except Exception:
            log.exception("a search beside run %s of %s failed", run.number, run.event.slug)
            joining.give_up(search)
            return
    if not heart.lost:
        joining.finish(search, result.document())


def _teller(run: Run, problem: Problem, heart: "Heartbeat") -> Callable[[Progress], None]:
    outsiders = len(problem.carriers) - run.carriers  # placed from the start, and nobody's of the event

    def note(progress: Progress) -> None:
        heart.tell(
            stage=progress.stage[:60],
            placed=max(0, progress.placed - outsiders),
            left_out=progress.left_out,
            penalty=progress.penalty if math.isfinite(progress.penalty) else None,
            share=min(1.0, max(0.0, progress.share)),
        )

    return note


def _solved(run: Run, heart: "Heartbeat") -> tuple[dict[str, Any], float | None]:
    problem = read_problem(documents.read(run, RunDocument.Role.PROBLEM))
    note = _teller(run, problem, heart)
    result = solve(
        problem, seconds=run.seconds, seed=run.seed, on_progress=note, should_stop=heart.should_stop
    ).document()
    _say(note, "waiting for other searches", result)
    joining.wait_for_others(run, heart.should_stop)
    result = joining.best(run, result)
    _say(note, "recounting", result)
    verdict = verify(problem, result["assignments"])
    if verdict.breaches:
        first = verdict.breaches[0]
        raise RuntimeError(f"the recount disagrees with the solver: {first.rule} at {first.victim}")
    loads = [entry["level_db"] for entry in result["loads"]]
    return result, max(loads) if loads else None


def _say(note: Callable[[Progress], None], stage: str, result: dict[str, Any]) -> None:
    note(
        Progress(stage, len(result["assignments"]), len(result["unplaced"]), result["cost"]["penalty"], 0.98)
    )


class Heartbeat:
    """A thread that renews a lease, notes progress and hears of a wish to stop, while a worker computes.

    `keep_alive` writes what is told to it: True when somebody asked to stop, None when the work is no longer ours.
    """

    def __init__(self, keep_alive: Callable[..., bool | None], whose: str) -> None:
        self.keep_alive, self.whose = keep_alive, whose
        self.lost = False
        self.stop_asked = False
        self._done = threading.Event()
        self._progress: dict[str, Any] = {}
        self._thread = threading.Thread(target=self._beat, daemon=True)

    def __enter__(self) -> "Heartbeat":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._done.set()
        self._thread.join()

    def tell(self, **progress: Any) -> None:
        """Called as often as one likes; written with the next beat."""
        self._progress = progress

    def should_stop(self) -> bool:
        return self.stop_asked or self.lost

    def _beat(self) -> None:
        try:
            while not self._done.wait(settings.RUN_HEARTBEAT_S):
                try:
                    answer = self.keep_alive(**self._progress)
                except Exception:
                    # The database may be away for a moment; the lease is there to outlast that.
                    log.exception("heartbeat of %s failed", self.whose)
                    close_old_connections()
                    continue
                self.lost = answer is None
                self.stop_asked = bool(answer)
        finally:
            connection.close()
