"""The queue: Celery carries the key of a run, a survey, a list or a webhook and nothing else; the row is the truth.

Besides its tasks every worker process keeps sweeping threads, which ring again for what a killed process left behind,
and for what fell due by itself.
"""

import logging
import os
import threading
from collections.abc import Callable

from celery import Celery
from celery.signals import worker_ready, worker_shutdown
from django.conf import settings

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "coordinator.settings")

app = Celery("fairband")
app.conf.update(settings.CELERY)
app.conf.task_routes = {"planning.*": {"queue": "runs"}}
app.autodiscover_tasks(["apps.planning", "apps.spectrum", "apps.registry", "apps.publishing"])

_stop = threading.Event()
log = logging.getLogger(__name__)


def _sweep_until_stopped(sweep: Callable[[], None], every_s: float) -> None:
    from django.db import OperationalError, close_old_connections  # noqa: PLC0415 - needs the apps to be loaded

    while not _stop.is_set():
        try:
            sweep()
        except OperationalError as error:
            log.warning("A sweep found the database busy or away (%s); it is tried again.", error)
        except Exception:
            log.exception("A sweep failed; it is tried again.")
        finally:
            close_old_connections()
        _stop.wait(every_s)


@worker_ready.connect
def start_sweeping(**_: object) -> None:
    from apps.planning import inquiring, running  # noqa: PLC0415 - needs the apps to be loaded
    from apps.publishing import relaying  # noqa: PLC0415
    from apps.registry import permitting, uploads  # noqa: PLC0415
    from apps.spectrum import surveys  # noqa: PLC0415

    for sweep, every_s in (
        (running.sweep, settings.RUN_SWEEP_S),
        (inquiring.sweep, settings.RUN_SWEEP_S),
        (surveys.sweep, settings.RUN_SWEEP_S),
        (uploads.sweep, settings.RUN_SWEEP_S),
        (permitting.sweep, settings.RUN_SWEEP_S),
        (relaying.sweep, settings.POST_SWEEP_S),
    ):
        threading.Thread(target=_sweep_until_stopped, args=(sweep, every_s), daemon=True).start()


@worker_shutdown.connect
def stop_sweeping(**_: object) -> None:
    _stop.set()
