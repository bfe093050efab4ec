"""The doors of the queue. Tasks import what they do when they run, so that web processes never load it for them."""

import os
import socket

from celery import shared_task


@shared_task(name="spectrum.read_survey", acks_late=True)
def read_survey(survey_id: int) -> None:
    """Read a survey to its end; a second message for the same survey finds nothing to do."""
    from apps.spectrum.reading import read  # noqa: PLC0415 - loads numpy

    read(survey_id, f"{socket.gethostname()}:{os.getpid()}")
