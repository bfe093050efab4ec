"""Editions, which nobody edits once they are frozen; and the post: webhooks and notices, with how far each has got."""

from django.db import models
from django.db.models import Q
from django.utils import timezone

from apps.events.models import Department, Event, Person
from apps.publishing.states import NOT_REACHED, OFF, ON, PostState


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


# -- the post -------------------------------------------------------------------------------


class Turn(models.Model):
    """A row with work that falls due again and again; workers take turns at it (turns.py).

    rung_at: when workers were last told of it. turn, lease_until: whose turn counts, and until when. failures: in a
    row; after each the row is left quiet for longer, until quiet_until.
    """

    rung_at = models.DateTimeField(null=True, blank=True)
    turn = models.PositiveBigIntegerField(default=0)
    lease_until = models.DateTimeField(null=True, blank=True)
    failures = models.PositiveIntegerField(default=0)
    quiet_until = models.DateTimeField(null=True, blank=True)

    class Meta:
        abstract = True


class Reading(Turn):
    """How far the post has read an event's journal, and which deadline it has told of."""

    event = models.OneToOneField(Event, on_delete=models.CASCADE, related_name="reading")
    number = models.PositiveBigIntegerField(default=0)
    deadline_told = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return f"{self.event}: read to entry {self.number}"


class Hook(Turn):
    """An address that is told of what happens, by signed HTTP requests: of the whole event, or of one department.

    Its messages hold what an observer may see, and for a department what its leads may. `off` says why it is silent,
    empty while it is not. It is told of journal entries after number `reads_from`. The former secret signs beside the
    present one until `former_until`.
    """

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="hooks")
    department = models.ForeignKey(
        Department, on_delete=models.CASCADE, null=True, blank=True, related_name="hooks"
    )
    owner = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="hooks")
    label = models.CharField(max_length=100)
    address = models.CharField(max_length=500)
    topics = models.JSONField(default=list)
    secret = models.CharField(max_length=100)
    former_secret = models.CharField(max_length=100, blank=True)
    former_until = models.DateTimeField(null=True, blank=True)
    off = models.CharField(max_length=300, blank=True)
    reads_from = models.PositiveBigIntegerField(default=0)
    version = models.PositiveIntegerField(default=1)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["event", "label", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["department", "label"], name="publishing_hook_label_once"),
            models.UniqueConstraint(
                fields=["event", "label"],
                condition=Q(department=None),
                name="publishing_hook_label_once_for_the_event",
            ),
        ]

    def __str__(self) -> str:
        return self.label

    @property
    def secrets_in_force(self) -> list[str]:
        """The secrets that sign just now: the present one first, and the former one until its time is up."""
        former = self.former_secret and self.former_until and timezone.now() < self.former_until
        return [self.secret, self.former_secret] if former else [self.secret]

    @property
    def state(self) -> str:
        """What it is just now, in a word."""
        if self.off:
            return OFF
        return NOT_REACHED if self.failures else ON


class Delivery(models.Model):
    """One message for one address, exactly as it is sent however often. In the order of keys within its `subject`.

    `key` names it in every attempt, so that the receiver can tell a repetition. `next_at`: not before.
    `since` is when it was made or last sent again by hand: too long after that it is given up.
    """

    hook = models.ForeignKey(Hook, on_delete=models.CASCADE, related_name="deliveries")
    key = models.CharField(max_length=64, unique=True)
    topic = models.CharField(max_length=40)
    subject = models.CharField(max_length=60)
    words = models.CharField(max_length=300)
    body = models.TextField()
    made_at = models.DateTimeField()
    since = models.DateTimeField()
    state = models.CharField(max_length=16, choices=PostState.choices, default=PostState.WAITING)
    next_at = models.DateTimeField()
    attempts = models.PositiveIntegerField(default=0)
    answer = models.CharField(max_length=300, blank=True)
    delivered_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["hook", "pk"]
        indexes = [
            models.Index(
                fields=["hook", "subject"], condition=Q(state="waiting"), name="publishing_delivery_waiting"
            ),
            models.Index(fields=["hook", "-id"], name="publishing_delivery_log"),
        ]

    def __str__(self) -> str:
        return f"{self.topic} to {self.hook}"


class Attempt(models.Model):
    """One try at a delivery and what came of it; `status` is null where nobody answered."""

    delivery = models.ForeignKey(Delivery, on_delete=models.CASCADE, related_name="log")
    at = models.DateTimeField()
    status = models.PositiveSmallIntegerField(null=True, blank=True)
    words = models.CharField(max_length=300)

    class Meta:
        ordering = ["delivery", "-pk"]

    def __str__(self) -> str:
        return self.words


class Mailbox(Turn):
    """What one person wants to be told of one event by e-mail, how soon, and when their next letter is due."""

    class Pace(models.TextChoices):
        SOON = "soon", "soon, gathered for some minutes into one letter"
        DAILY = "daily", "once a day, in the morning"

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="mailboxes")
    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="mailboxes")
    unwanted = models.JSONField(default=list)
    pace = models.CharField(max_length=8, choices=Pace.choices, default=Pace.SOON)
    due_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["event", "person"]
        constraints = [
            models.UniqueConstraint(fields=["event", "person"], name="publishing_mailbox_once_per_event")
        ]

    def __str__(self) -> str:
        return f"{self.person} in {self.event}"


class Notice(models.Model):
    """One thing that a person is told, in a letter with whatever else was due. `key` keeps it from being told twice."""

    mailbox = models.ForeignKey(Mailbox, on_delete=models.CASCADE, related_name="notices")
    key = models.CharField(max_length=60)
    topic = models.CharField(max_length=20)
    department = models.CharField(max_length=16, blank=True)
    words = models.TextField()
    path = models.CharField(max_length=300)
    made_at = models.DateTimeField()
    state = models.CharField(max_length=16, choices=PostState.choices, default=PostState.WAITING)
    sent_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["mailbox", "pk"]
        constraints = [models.UniqueConstraint(fields=["mailbox", "key"], name="publishing_notice_once")]

    def __str__(self) -> str:
        return self.words
