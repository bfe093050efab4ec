"""What is known about the spectrum at an event's site."""

from django.db import models
from django.db.models import F, Q

from apps.events.models import Event, Zone


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
