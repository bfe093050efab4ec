"""What somebody on site may report, and where a report stands."""

from django.db import models


class Trouble(models.TextChoices):
    """What is wrong, in the words of whoever stands beside the device."""

    INTERFERENCE = "interference", "noise, dropouts or somebody else's programme"
    NO_SIGNAL = "no signal", "nothing arrives"
    EMISSION = "unplanned emission", "something is on the air that nobody planned"
    OTHER = "other", "something else"


class ReportState(models.TextChoices):
    OPEN = "open", "open"
    ANSWERED = "answered", "answered"
