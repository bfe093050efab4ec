"""What is told from the site on the day: reports of trouble."""

from django.db import models
from django.db.models import Q

from apps.events.models import Department, Event, Zone
from apps.onsite.states import ReportState, Trouble
from apps.registry.models import Carrier


class Report(models.Model):
    """Somebody suffers interference, or sees an emission that nobody planned.

    A coordinator may say «I am on it» before anything is known: `taken_name`, `taken_at`; another may take it over.
    It concerns a carrier of the event, or a place (a frequency may be all that is known of an emission). The carrier's
    department is kept with it, so that the row stays readable by the same people when the carrier is withdrawn.
    """

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="reports")
    number = models.PositiveIntegerField()
    trouble = models.CharField(max_length=20, choices=Trouble.choices)
    carrier = models.ForeignKey(
        Carrier, on_delete=models.PROTECT, null=True, blank=True, related_name="reports"
    )
    department = models.ForeignKey(
        Department, on_delete=models.PROTECT, null=True, blank=True, related_name="reports"
    )
    zone = models.ForeignKey(Zone, on_delete=models.PROTECT, null=True, blank=True, related_name="reports")
    frequency_hz = models.PositiveBigIntegerField(
        null=True, blank=True, help_text="where it was heard; of a carrier, what it was published on then"
    )
    words = models.TextField()
    state = models.CharField(max_length=12, choices=ReportState.choices, default=ReportState.OPEN)
    answer = models.TextField(blank=True)
    filed_by = models.CharField(max_length=254)
    filed_name = models.CharField(max_length=200)
    filed_at = models.DateTimeField(auto_now_add=True)
    taken_name = models.CharField(max_length=200, blank=True, help_text="who is looking into it")
    taken_at = models.DateTimeField(null=True, blank=True)
    answered_name = models.CharField(max_length=200, blank=True)
    answered_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["event", "-number"]
        constraints = [
            models.UniqueConstraint(fields=["event", "number"], name="onsite_report_number_once_per_event"),
            models.CheckConstraint(
                condition=Q(state=ReportState.OPEN) | ~Q(answer=""), name="onsite_answered_with_words"
            ),
        ]

    def __str__(self) -> str:
        return f"report {self.number} of {self.event}"
