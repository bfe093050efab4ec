"""Runs of the solver, the plan that came of them, and what a recount said of it."""

from django.db import models
from django.db.models import Q

from apps.events.models import Event
from apps.planning.states import ACTIVE, AssignmentState, RunState
from apps.registry.models import Carrier


class Run(models.Model):
    """One pass of the solver over a frozen snapshot of the event.

    The row is the truth and the queue only carries its number. A worker claims it by conditional update and holds
    it under a lease that its heartbeat renews; `attempt` is the fencing number: whoever writes the end of a run
    must still hold the attempt under which it began. One active run per event is a constraint of the database.
    """

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="runs")
    number = models.PositiveIntegerField()
    state = models.CharField(max_length=12, choices=RunState.choices, default=RunState.QUEUED)
    requested_by = models.CharField(max_length=254)
    seconds = models.FloatField()
    seed = models.PositiveIntegerField(default=0)
    best_seed = models.PositiveIntegerField(
        null=True, blank=True, help_text="of the search whose plan was kept"
    )
    revision = models.PositiveBigIntegerField(help_text="of the event, when the snapshot was frozen")
    attempt = models.PositiveIntegerField(default=0)
    claimed_by = models.CharField(max_length=200, blank=True)
    heartbeat_at = models.DateTimeField(null=True, blank=True)
    lease_until = models.DateTimeField(null=True, blank=True)
    rung_at = models.DateTimeField(null=True, blank=True, help_text="when a worker was last told of it")
    cancel_requested = models.BooleanField(default=False)
    stage = models.CharField(max_length=60, blank=True)
    share = models.FloatField(default=0, help_text="of the work, 0 to 1")
    carriers = models.PositiveIntegerField(default=0)
    placed = models.PositiveIntegerField(null=True, blank=True)
    left_out = models.PositiveIntegerField(null=True, blank=True)
    penalty = models.FloatField(null=True, blank=True)
    worst_load_db = models.FloatField(null=True, blank=True)
    stopped = models.CharField(max_length=200, blank=True)
    failure = models.TextField(blank=True)
    adopted_at = models.DateTimeField(null=True, blank=True)
    adopted_by = models.CharField(max_length=254, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)
    started_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["event", "-number"]
        constraints = [
            models.UniqueConstraint(fields=["event", "number"], name="planning_run_number_once_per_event"),
            models.UniqueConstraint(
                fields=["event"], condition=Q(state__in=ACTIVE), name="planning_one_active_run_per_event"
            ),
        ]

    def __str__(self) -> str:
        return f"run {self.number} of {self.event}"

    @property
    def active(self) -> bool:
        return self.state in ACTIVE


class RunDocument(models.Model):
    """A run's problem, result or frozen versions, compressed; apart from the run, so that polling stays small."""

    class Role(models.TextChoices):
        PROBLEM = "problem", "problem"
        RESULT = "result", "result"
        VERSIONS = "versions", "versions of the assignments when the snapshot was frozen"

    run = models.ForeignKey(Run, on_delete=models.CASCADE, related_name="documents")
    role = models.CharField(max_length=10, choices=Role.choices)
    content = models.BinaryField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["run", "role"], name="planning_document_once_per_run")]

    def __str__(self) -> str:
        return f"{self.role} of {self.run}"


class FurtherSearch(models.Model):
    """A search for a run's problem with another seed, by a worker that had nothing else to do; the best plan wins.

    Nothing waits for it beyond its lease: whose worker dies is missed by nobody.
    """

    run = models.ForeignKey(Run, on_delete=models.CASCADE, related_name="further")
    seed = models.PositiveIntegerField()
    claimed_by = models.CharField(max_length=200)
    lease_until = models.DateTimeField(null=True, blank=True, help_text="empty: it has ended")
    placed = models.PositiveIntegerField(null=True, blank=True)
    left_out = models.PositiveIntegerField(null=True, blank=True)
    penalty = models.FloatField(null=True, blank=True)
    result = models.BinaryField(null=True, help_text="as in RunDocument")

    class Meta:
        ordering = ["run", "seed"]
        constraints = [models.UniqueConstraint(fields=["run", "seed"], name="planning_seed_once_per_run")]

    def __str__(self) -> str:
        return f"search {self.seed} for {self.run}"


class Assignment(models.Model):
    """A carrier's frequency in the working plan. One per carrier, or none.

    Agreement is data: who approved and who locked, when, and why.
    """

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="assignments")
    carrier = models.OneToOneField(Carrier, on_delete=models.PROTECT, related_name="assignment")
    frequency_hz = models.PositiveBigIntegerField()
    power_mw = models.FloatField(null=True, blank=True)
    state = models.CharField(max_length=10, choices=AssignmentState.choices, default=AssignmentState.PROPOSED)
    by_hand = models.BooleanField(default=False)
    reason = models.TextField(blank=True)
    approved_by = models.CharField(max_length=254, blank=True)
    approved_at = models.DateTimeField(null=True, blank=True)
    locked_by = models.CharField(max_length=254, blank=True)
    locked_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["event", "carrier__code"]
        indexes = [models.Index(fields=["event", "state"])]
        constraints = [
            models.CheckConstraint(
                condition=Q(frequency_hz__gt=0), name="planning_assignment_frequency_positive"
            ),
            models.CheckConstraint(
                condition=Q(state=AssignmentState.PROPOSED) | Q(approved_at__isnull=False),
                name="planning_agreed_by_somebody",
            ),
            models.CheckConstraint(
                condition=~Q(state=AssignmentState.LOCKED) | Q(locked_at__isnull=False),
                name="planning_locked_by_somebody",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.carrier.code} at {self.frequency_hz} Hz"


class LeftOut(models.Model):
    """Why a carrier has no frequency, as the adopted run explained it: shares of its raster by cause."""

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="left_out")
    carrier = models.OneToOneField(Carrier, on_delete=models.CASCADE, related_name="left_out")
    run = models.ForeignKey(Run, on_delete=models.CASCADE)
    blocked_by = models.JSONField()

    class Meta:
        ordering = ["event", "carrier__code"]

    def __str__(self) -> str:
        return f"{self.carrier.code}, left out by {self.run}"


class Inquiry(models.Model):
    """Somebody asked what would place those left out: each single change is tried by a worker, one after the other.

    The row is the truth, as a run's is. It answers for one revision of the event and keeps how many changes were tried in
    their order, so that whoever goes on, another worker or another inquiry, begins where this one ended.
    """

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="inquiries")
    number = models.PositiveIntegerField()
    state = models.CharField(max_length=12, choices=RunState.choices, default=RunState.QUEUED)
    asked_by = models.CharField(max_length=254)
    revision = models.PositiveBigIntegerField(help_text="of the event that it answers for")
    attempt = models.PositiveIntegerField(default=0)
    claimed_by = models.CharField(max_length=200, blank=True)
    lease_until = models.DateTimeField(null=True, blank=True)
    rung_at = models.DateTimeField(null=True, blank=True, help_text="when a worker was last told of it")
    stop_asked = models.BooleanField(default=False)
    tried = models.PositiveIntegerField(default=0, help_text="changes so far, of `total`")
    total = models.PositiveIntegerField(null=True, blank=True)
    left_out = models.JSONField(default=list, help_text="whom it asks for, by code")
    has_room = models.JSONField(
        null=True,
        blank=True,
        help_text="those of them with room as the plan stands; null before that was looked at",
    )
    cures = models.JSONField(default=list, help_text="[{words, places: [code]}]")
    failure = models.TextField(blank=True)
    created_at = models.DateTimeField(auto_now_add=True)
    finished_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["event", "-number"]
        verbose_name_plural = "inquiries"
        constraints = [
            models.UniqueConstraint(
                fields=["event", "number"], name="planning_inquiry_number_once_per_event"
            ),
            models.UniqueConstraint(
                fields=["event"], condition=Q(state__in=ACTIVE), name="planning_one_active_inquiry_per_event"
            ),
        ]

    def __str__(self) -> str:
        return f"inquiry {self.number} of {self.event}"

    @property
    def active(self) -> bool:
        return self.state in ACTIVE

    @property
    def whole(self) -> bool:
        """Whether every change was tried."""
        return self.total is not None and self.tried >= self.total

    @property
    def untried(self) -> int:
        return (self.total or 0) - self.tried

    @property
    def share(self) -> float:
        return self.tried / self.total if self.total else 0.0

    @property
    def without_room(self) -> int:
        """Of how many each cure places some: whoever has room by now is not among them."""
        return len(self.left_out) - len(self.has_room or ())


class Verdict(models.Model):
    """What a recount of one place and slot found, under a digest of what is on the air there and its rules."""

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="verdicts")
    place = models.CharField(max_length=64, blank=True)
    slot = models.CharField(max_length=64, blank=True)
    digest = models.CharField(max_length=64)
    breaches = models.JSONField()
    counted_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["event", "digest"], name="planning_verdict_once_per_digest")
        ]

    def __str__(self) -> str:
        return f"{self.place} {self.slot}: {len(self.breaches)} breaches"


class Acceptance(models.Model):
    """A coordinator's signature under one breach that stays: who, why, until when.

    `breach` is the digest of exactly that breach; another frequency on either side is another breach.
    """

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="acceptances")
    breach = models.CharField(max_length=64)
    description = models.TextField()
    accepted_by = models.CharField(max_length=254)
    reason = models.TextField()
    until = models.DateTimeField(null=True, blank=True)
    accepted_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["event", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["event", "breach"], name="planning_acceptance_once_per_breach")
        ]

    def __str__(self) -> str:
        return self.description
