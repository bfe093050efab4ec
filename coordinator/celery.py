"""The queue: Celery carries the key of a run or a survey and nothing else; the row is the truth.

Besides its tasks every worker process keeps a sweeping thread, which requeues what a killed process left behind.
"""

import logging
import os
import threading

from celery import Celery
from celery.signals import worker_ready, worker_shutdown
from django.conf import settings

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "coordinator.settings")

app = Celery("fairband")
app.conf.update(settings.CELERY)
app.conf.task_routes = {"planning.*": {"queue": "runs"}}
app.autodiscover_tasks(["apps.planning", "apps.spectrum"])

_stop = threading.Event()
log = logging.getLogger(__name__)


def _sweep_until_stopped(every_s: float) -> None:
    from django.db import close_old_connections  # noqa: PLC0415 - needs the apps to be loaded

    from apps.planning import running  # noqa: PLC0415
    from apps.spectrum import surveys  # noqa: PLC0415

    while not _stop.is_set():
        try:
            running.sweep()
            surveys.sweep()
        except Exception:
            log.exception("The sweep of lost work failed; it is tried again.")
        finally:
            close_old_connections()
        _stop.wait(every_s)


@worker_ready.connect
def start_sweeping(**_: object) -> None:
    threading.Thread(target=_sweep_until_stopped, args=(settings.RUN_SWEEP_S,), daemon=True).start()


@worker_shutdown.connect
def stop_sweeping(**_: object) -> None:
    _stop.set()
