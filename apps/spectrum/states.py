"""The states of a survey: its file is kept, then read by a worker."""

from django.db import models


class SurveyState(models.TextChoices):
    WAITING = "waiting", "waiting"
    READING = "reading", "being read"
    READ = "read", "read"
    FAULTY = "faulty", "faulty"


READING = (SurveyState.WAITING, SurveyState.READING)
