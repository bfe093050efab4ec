"""Editions: the plan, or a department's part of it, frozen into numbered values that nobody edits."""

from django.db import models

from apps.events.models import Event


class Edition(models.Model):
    """One act of publishing. Corrections are new editions; each points to the one that it replaces for its readers.

    `department` is the code of the department whose part it is, empty for the whole event. `digest` covers header and
    lines; `plan_digest` names the exact plan that was recounted before freezing. `accepted` lists the breaches that
    stay, each with whose signature stands under it.
    """

    event = models.ForeignKey(Event, on_delete=models.PROTECT, related_name="editions")
    number = models.PositiveIntegerField()
    department = models.CharField(max_length=16, blank=True)
    published_at = models.DateTimeField()
    published_by = models.CharField(max_length=200)
    note = models.TextField(blank=True)
    replaces = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="replaced_by"
    )
    revision = models.PositiveBigIntegerField()
    plan_digest = models.CharField(max_length=64)
    digest = models.CharField(max_length=64)
    accepted = models.JSONField(default=list)
    header = models.JSONField()

    class Meta:
        ordering = ["event", "-number"]
        constraints = [
            models.UniqueConstraint(
                fields=["event", "number"], name="publishing_edition_number_once_per_event"
            )
        ]

    def __str__(self) -> str:
        return f"edition {self.number} of {self.event}"


class EditionLine(models.Model):
    """One unit's line of an edition, as frozen values."""

    edition = models.ForeignKey(Edition, on_delete=models.CASCADE, related_name="lines")
    position = models.PositiveIntegerField()
    carrier = models.CharField(max_length=40)
    unit_key = models.CharField(max_length=24, blank=True, db_index=True)
    department = models.CharField(max_length=16, blank=True)
    zone = models.CharField(max_length=32)
    content = models.JSONField()

    class Meta:
        ordering = ["edition", "position"]
        constraints = [
            models.UniqueConstraint(fields=["edition", "position"], name="publishing_line_position_once")
        ]
        indexes = [models.Index(fields=["edition", "department"])]

    def __str__(self) -> str:
        return f"{self.carrier} in {self.edition}"
