"""One row per thing done. Rows are only ever added, and each carries the digest of the one before it."""

from django.db import models


class Chain(models.Model):
    """The last link of an event's journal; locked while an entry is added, so that numbers have no gap."""

    event = models.CharField(max_length=64, unique=True)
    number = models.PositiveBigIntegerField(default=0)
    digest = models.CharField(max_length=64, default="")

    def __str__(self) -> str:
        return f"{self.event}: {self.number} entries"


class Entry(models.Model):
    """Who did what to which thing, when and why.

    Actor, event and department are plain values, not foreign keys: an entry outlives what it speaks of.
    `changes` maps a subject to {field: [old, new]}, exact, so that a batch can be undone from it.
    """

    event = models.CharField(max_length=64)
    number = models.PositiveBigIntegerField()
    at = models.DateTimeField()
    actor_email = models.CharField(max_length=254)
    actor_name = models.CharField(max_length=200)
    department = models.CharField(max_length=16, blank=True)
    verb = models.CharField(max_length=64)
    subject = models.CharField(max_length=200)
    changes = models.JSONField(default=dict)
    reason = models.TextField(blank=True)
    digest = models.CharField(max_length=64)

    class Meta:
        ordering = ["event", "number"]
        constraints = [
            models.UniqueConstraint(fields=["event", "number"], name="journal_number_once_per_event")
        ]
        indexes = [models.Index(fields=["event", "department", "number"])]

    def __str__(self) -> str:
        return f"{self.event} {self.number}: {self.actor_name} {self.verb} {self.subject}"
