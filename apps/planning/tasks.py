"""The doors of the queue. Tasks import what they do when they run, so that web processes never load the solver."""

import os
import socket

from celery import shared_task


@shared_task(name="planning.work", acks_late=True)
def work(run_id: int) -> None:
    """Carry a run to its end; whoever has a second message for the same run joins it."""
    from apps.planning.working import work as carry_out  # noqa: PLC0415 - loads numpy and the solver

    carry_out(run_id, f"{socket.gethostname()}:{os.getpid()}")


@shared_task(name="planning.inquire", acks_late=True)
def inquire(inquiry_id: int) -> None:
    """Try what would place those left out; a second message for the same inquiry finds nothing to do."""
    from apps.planning.curing import work as carry_out  # noqa: PLC0415 - loads numpy and the solver

    carry_out(inquiry_id, f"{socket.gethostname()}:{os.getpid()}")
