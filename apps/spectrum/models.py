"""What is known about the spectrum at an event's site."""

from django.db import models
from django.db.models import F, Q

from apps.events.models import CODE, Department, Event, Zone
from apps.spectrum.rulesets import EIRP_OVER_ERP
from apps.spectrum.states import READING, PermissionState, SurveyState


class Occupied(models.Model):
    """A range that is taken by somebody else at this site: a television channel on the air, say.

    `zones` are codes of where it is taken, empty for the whole site; without hours it is always.
    """

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="occupied")
    label = models.CharField(max_length=100)
    low_hz = models.PositiveBigIntegerField()
    high_hz = models.PositiveBigIntegerField()
    zones = models.JSONField(default=list, blank=True)
    starts_at = models.DateTimeField(null=True, blank=True)
    ends_at = models.DateTimeField(null=True, blank=True)
    source = models.CharField(max_length=200, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["event", "low_hz", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["event", "label"], name="spectrum_occupied_label_once_per_event"),
            models.CheckConstraint(
                condition=Q(low_hz__lt=F("high_hz")), name="spectrum_occupied_range_in_order"
            ),
            models.CheckConstraint(
                condition=Q(starts_at=None, ends_at=None) | Q(starts_at__lt=F("ends_at")),
                name="spectrum_occupied_hours",
            ),
        ]

    def __str__(self) -> str:
        return self.label


class Outsider(models.Model):
    """A transmission that nobody here registers: neighbour, studio, incumbent. Fixed; entered by a coordinator.

    Without hours it is taken to be on the air always; a suspected one is kept clear of like a sure one.
    """

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="outsiders")
    code = models.CharField(max_length=32)
    label = models.CharField(max_length=200)
    zone = models.ForeignKey(Zone, on_delete=models.PROTECT, related_name="outsiders")
    frequency_hz = models.PositiveBigIntegerField()
    bandwidth_hz = models.PositiveBigIntegerField()
    level_db = models.FloatField(default=0, help_text="against a device of the zone, 0 dB or less")
    source = models.CharField(max_length=200, blank=True)
    sure = models.BooleanField(default=True)
    starts_at = models.DateTimeField(null=True, blank=True)
    ends_at = models.DateTimeField(null=True, blank=True)
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
            models.CheckConstraint(
                condition=Q(starts_at=None, ends_at=None) | Q(starts_at__lt=F("ends_at")),
                name="spectrum_outsider_hours",
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
    resolution_hz = models.PositiveBigIntegerField(
        null=True,
        blank=True,
        help_text="the sweep's resolution bandwidth; without it nothing is made of the survey",
    )
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


class PlannedRange(models.Model):
    """One range of the event's band plan: offered to some, kept from some, or kept empty for late arrivals.

    `departments`, `kinds` and `zones` are codes of those whom it speaks to; an empty list means all. A hard one binds, a
    preferred one only costs. Whoever is offered ranges takes these and no others; late arrivals are those registered after
    registration closed. `reason` is read by those whom it keeps out.
    """

    class Purpose(models.TextChoices):
        OFFERED = "offered", "offered to"
        KEPT_FROM = "kept from", "kept from"
        FOR_LATE = "for late arrivals", "kept empty for late arrivals"

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="band_plan")
    label = models.CharField(max_length=100)
    low_hz = models.PositiveBigIntegerField()
    high_hz = models.PositiveBigIntegerField()
    purpose = models.CharField(max_length=20, choices=Purpose.choices)
    hard = models.BooleanField(default=True)
    departments = models.JSONField(default=list, blank=True)
    kinds = models.JSONField(default=list, blank=True)
    zones = models.JSONField(default=list, blank=True)
    reason = models.CharField(max_length=200, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["event", "low_hz", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["event", "label"], name="spectrum_planned_label_once_per_event"),
            models.CheckConstraint(
                condition=Q(low_hz__lt=F("high_hz")), name="spectrum_planned_range_in_order"
            ),
        ]

    def __str__(self) -> str:
        return self.label

    @property
    def why(self) -> str:
        """Why somebody is kept out of it, as they may read it."""
        late = self.purpose == self.Purpose.FOR_LATE
        words = "kept for late arrivals" if late else "kept free by the band plan"
        return f"{words} ({self.reason})" if self.reason else words


class Permission(models.Model):
    """What a regulator, band manager or primary user was asked for and answered: range, power, place, hours, until when.

    The whole occupied band of a carrier must lie between low and high; `width_hz` is the widest carrier that it holds for.
    `zones` are codes, empty for the whole site; no hours mean all days of the event; without a department it serves all.
    The service grants nothing: `authority` decided, under `reference`.
    """

    class Basis(models.TextChoices):
        ERP = "erp", "e.r.p."
        EIRP = "eirp", "e.i.r.p."

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="permissions")
    code = models.CharField(max_length=16, validators=[CODE])
    state = models.CharField(max_length=16, choices=PermissionState.choices, default=PermissionState.ASKED)
    department = models.ForeignKey(
        Department, on_delete=models.PROTECT, null=True, blank=True, related_name="permissions"
    )
    use = models.CharField(max_length=20, blank=True, help_text="what rulesets call it; empty for any")
    low_hz = models.PositiveBigIntegerField()
    high_hz = models.PositiveBigIntegerField()
    width_hz = models.PositiveBigIntegerField()
    power_mw = models.FloatField(help_text="radiated")
    basis = models.CharField(max_length=8, choices=Basis.choices, default=Basis.EIRP)
    antenna_height_m = models.FloatField(null=True, blank=True, help_text="of fixed transmitters, at most")
    zones = models.JSONField(default=list)
    place = models.CharField(max_length=300, blank=True, help_text="in the words of whoever decides")
    starts_at = models.DateTimeField(null=True, blank=True)
    ends_at = models.DateTimeField(null=True, blank=True)
    wanted_for = models.CharField(max_length=500, blank=True)
    authority = models.CharField(max_length=200, blank=True, help_text="who decides")
    reference = models.CharField(max_length=200, blank=True)
    conditions = models.TextField(blank=True)
    until = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)
    asked_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["event", "code"]
        constraints = [
            models.UniqueConstraint(fields=["event", "code"], name="spectrum_permission_code_once_per_event"),
            models.CheckConstraint(
                condition=Q(low_hz__lt=F("high_hz")), name="spectrum_permission_range_in_order"
            ),
            models.CheckConstraint(
                condition=Q(width_hz__gt=0, power_mw__gt=0), name="spectrum_permission_figures_positive"
            ),
            models.CheckConstraint(
                condition=Q(starts_at=None, ends_at=None) | Q(starts_at__lt=F("ends_at")),
                name="spectrum_permission_hours",
            ),
            models.CheckConstraint(
                condition=~Q(state="granted") | (~Q(reference="") & ~Q(authority="")),
                name="spectrum_permission_granted_by_somebody",
            ),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def frequency_hz(self) -> int | None:
        """The one frequency that it is for; None where several carriers find room in it."""
        return (self.low_hz + self.high_hz) // 2 if self.high_hz - self.low_hz <= self.width_hz else None

    @property
    def eirp_mw(self) -> float:
        return self.power_mw * EIRP_OVER_ERP if self.basis == self.Basis.ERP else self.power_mw
