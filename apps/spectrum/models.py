"""What is known about the spectrum at an event's site."""

from django.db import models
from django.db.models import F, Q

from apps.events.models import Event, Zone
from apps.spectrum.states import READING, SurveyState


class Occupied(models.Model):
    """A range that is taken by somebody else at this site: a television channel on the air, say."""

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="occupied")
    label = models.CharField(max_length=100)
    low_hz = models.PositiveBigIntegerField()
    high_hz = models.PositiveBigIntegerField()
    source = models.CharField(max_length=200, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["event", "low_hz", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["event", "label"], name="spectrum_occupied_label_once_per_event"),
            models.CheckConstraint(
                condition=Q(low_hz__lt=F("high_hz")), name="spectrum_occupied_range_in_order"
            ),
        ]

    def __str__(self) -> str:
        return self.label


class Outsider(models.Model):
    """A transmission that nobody here registers: neighbour, studio, incumbent. Fixed; entered by a coordinator."""

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="outsiders")
    code = models.CharField(max_length=32)
    label = models.CharField(max_length=200)
    zone = models.ForeignKey(Zone, on_delete=models.PROTECT, related_name="outsiders")
    frequency_hz = models.PositiveBigIntegerField()
    bandwidth_hz = models.PositiveBigIntegerField()
    level_db = models.FloatField(default=0, help_text="against a device of the zone, 0 dB or less")
    source = models.CharField(max_length=200, blank=True)
    sure = models.BooleanField(default=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["event", "frequency_hz", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["event", "code"], name="spectrum_outsider_code_once_per_event"),
            models.CheckConstraint(
                condition=Q(frequency_hz__gt=0), name="spectrum_outsider_frequency_positive"
            ),
            models.CheckConstraint(
                condition=Q(level_db__lte=0), name="spectrum_outsider_level_not_above_zero"
            ),
        ]

    def __str__(self) -> str:
        return self.label


class KnownLoss(models.Model):
    """A path loss between two zones that a coordinator measured or answers for, in place of the model, either way."""

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="known_losses")
    one = models.ForeignKey(Zone, on_delete=models.CASCADE, related_name="+")
    other = models.ForeignKey(Zone, on_delete=models.CASCADE, related_name="+")
    loss_db = models.FloatField()
    note = models.CharField(max_length=500)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["event", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["one", "other"], name="spectrum_known_loss_once_per_pair"),
            models.CheckConstraint(
                condition=Q(one__lt=F("other")), name="spectrum_known_loss_one_before_other"
            ),
            models.CheckConstraint(
                condition=Q(loss_db__gt=0, loss_db__lte=250), name="spectrum_known_loss_plausible"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.one.code} – {self.other.code}"


class TelevisionChannel(models.Model):
    """What is known of one television channel at the site: occupied or free, how and since when we know. No row: unknown.

    An occupied one keeps a taken range; whoever frees that range takes back what was said of the channel.
    """

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="television_channels")
    raster = models.CharField(max_length=40)
    name = models.CharField(max_length=8)
    occupied = models.BooleanField()
    source = models.CharField(max_length=200)
    known_on = models.DateField()
    taken = models.OneToOneField(Occupied, on_delete=models.CASCADE, null=True, related_name="channel")
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["event", "raster", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["event", "raster", "name"], name="spectrum_channel_once_per_event"
            ),
            models.CheckConstraint(
                condition=Q(occupied=True, taken__isnull=False) | Q(occupied=False, taken=None),
                name="spectrum_channel_occupied_is_taken",
            ),
        ]

    def __str__(self) -> str:
        return f"television channel {self.name}"


class Survey(models.Model):
    """A recorded sweep of the spectrum at a zone, and what was understood of it.

    The file is kept first, in pieces, and read afterwards by a worker. The row is the truth, the queue a doorbell, as
    with runs: `attempt` is the fencing number, whoever writes the end must still hold it. `own` are the event's own
    carriers that were on the air meanwhile: [{carrier, zone, frequency_hz, bandwidth_hz}], as the plan stood at upload.
    """

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="surveys")
    number = models.PositiveIntegerField()
    zone = models.ForeignKey(Zone, on_delete=models.PROTECT, related_name="surveys")
    name = models.CharField(max_length=200)
    taken_at = models.DateTimeField()
    antenna = models.CharField(max_length=200, blank=True)
    resolution_hz = models.PositiveBigIntegerField(help_text="the sweep's resolution bandwidth")
    unit_told = models.CharField(max_length=4, blank=True)
    floor_told_dbm = models.FloatField(null=True, blank=True)
    counts = models.BooleanField(default=True, help_text="enters hold, median and the next run")
    own = models.JSONField(default=list)
    own_words = models.CharField(max_length=200, blank=True)
    size = models.PositiveBigIntegerField()
    uploaded_by = models.CharField(max_length=254)
    uploaded_at = models.DateTimeField(auto_now_add=True)
    state = models.CharField(max_length=12, choices=SurveyState.choices, default=SurveyState.WAITING)
    attempt = models.PositiveIntegerField(default=0)
    claimed_by = models.CharField(max_length=200, blank=True)
    lease_until = models.DateTimeField(null=True, blank=True)
    rung_at = models.DateTimeField(null=True, blank=True, help_text="when a worker was last told of it")
    share = models.FloatField(default=0, help_text="of the file, 0 to 1")
    points = models.PositiveIntegerField(default=0)
    low_hz = models.PositiveBigIntegerField(null=True, blank=True)
    high_hz = models.PositiveBigIntegerField(null=True, blank=True)
    step_hz = models.PositiveBigIntegerField(
        null=True, blank=True, help_text="of the trace that was made of it"
    )
    unit = models.CharField(max_length=4, blank=True)
    unit_from = models.CharField(max_length=60, blank=True)
    separator = models.CharField(max_length=12, blank=True)
    header = models.TextField(blank=True)
    floor_found_dbm = models.FloatField(null=True, blank=True)
    faults = models.JSONField(default=list)
    fault_count = models.PositiveIntegerField(default=0)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["event", "-number"]
        constraints = [
            models.UniqueConstraint(fields=["event", "number"], name="spectrum_survey_number_once_per_event"),
            models.CheckConstraint(
                condition=Q(resolution_hz__gt=0), name="spectrum_survey_resolution_positive"
            ),
        ]

    def __str__(self) -> str:
        return f"survey {self.number}"

    @property
    def active(self) -> bool:
        return self.state in READING

    @property
    def floor_dbm(self) -> float | None:
        """The instrument's own floor in the resolution bandwidth: as told, else as found."""
        return self.floor_found_dbm if self.floor_told_dbm is None else self.floor_told_dbm


class SurveyPiece(models.Model):
    """A piece of a survey's file as it was sent, compressed: no reader ever holds the whole of it."""

    survey = models.ForeignKey(Survey, on_delete=models.CASCADE, related_name="pieces")
    number = models.PositiveIntegerField()
    content = models.BinaryField()

    class Meta:
        ordering = ["survey", "number"]
        constraints = [
            models.UniqueConstraint(fields=["survey", "number"], name="spectrum_piece_once_per_survey")
        ]

    def __str__(self) -> str:
        return f"piece {self.number} of {self.survey}"


class SurveyTrace(models.Model):
    """The levels of a survey on even steps (float32, compressed), apart from the row, so that lists stay small."""

    survey = models.OneToOneField(Survey, on_delete=models.CASCADE, related_name="trace")
    content = models.BinaryField()

    def __str__(self) -> str:
        return f"trace of {self.survey}"
