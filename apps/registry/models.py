"""Kinds of device, what departments register, and the carriers and units that follow from it."""

import secrets
from dataclasses import dataclass
from datetime import datetime

from django.core.serializers.json import DjangoJSONEncoder
from django.db import models
from django.db.models import F, Q

from apps.events.models import CODE, Department, Event, Zone
from apps.registry.states import NOT_PERMITTED, RegistrationState, UploadState


class Kind(models.Model):
    """A class of device in one event, copied from the catalogue: a template of one or more carriers.

    A kind that is not assigned (self-coordinating systems) is counted but gets no carrier.
    """

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="kinds")
    code = models.CharField(max_length=40, validators=[CODE])
    name = models.CharField(max_length=200)
    words = models.CharField(max_length=500, blank=True, help_text="plain words that people search by")
    use = models.CharField(max_length=20, help_text="what rulesets call it")
    modulation = models.CharField(max_length=20)
    assigned = models.BooleanField(default=True)
    not_assigned_why = models.CharField(max_length=500, blank=True)
    note = models.CharField(max_length=500, blank=True)
    power_mw = models.JSONField(
        default=list, help_text="the power steps of the device, in milliwatts, conducted"
    )
    cells = models.CharField(max_length=60, blank=True)
    running_h = models.FloatField(null=True, blank=True)
    settings = models.JSONField(default=list, help_text="names of the settings that must match at both ends")
    settings_at_one_end = models.JSONField(
        default=list, help_text="names of the settings that are set at one end only"
    )
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["event", "code"]
        constraints = [
            models.UniqueConstraint(fields=["event", "code"], name="registry_kind_code_once_per_event")
        ]

    def __str__(self) -> str:
        return self.name


# The families of products of which a role may ask to be spared.
FAMILIES = ("2A-B", "A+B-C", "3A-2B")


@dataclass(frozen=True)
class Figure:
    """A figure of the radio model that a role may set: between which bounds, and what holds where it sets none."""

    name: str
    label: str
    low: float
    high: float
    otherwise: str


# Outwards, then inwards. All levels are those of the device's own sockets.
FIGURES = (
    Figure("antenna_gain_dbi", "Antenna gain, dBi", -60, 60, "0"),
    Figure("cable_db", "Loss of its own cable, dB", 0, 60, "0"),
    Figure("combiner_db", "Loss of its own combiner, dB", 0, 60, "0"),
    Figure("floor_db", "Broadband noise against the emission, dB", -180, -20, "−90"),
    Figure("body_loss_db", "What a body usually takes, dB", 0, 60, "by its use"),
    Figure("noise_figure_db", "Noise figure of the receiver, dB", 0, 60, "6"),
    Figure("iip3_dbm", "Third-order intercept point of the receiver, dBm", -90, 90, "any product counts"),
    Figure("protection_db", "Wanted over unwanted that it needs, dB", 0, 90, "by its modulation"),
    Figure("blocking_db", "What its filter keeps out far away, dB", 0, 180, "80"),
)


@dataclass(frozen=True)
class Curve:
    """A shape of the radio model that a role may set point by point: [{offset_hz, level_db}]; `beyond` holds further out."""

    name: str
    label: str
    beyond: str


CURVES = (
    Curve(
        "mask",
        "Emission: kHz from the carrier and dB against the middle of its channel",
        "its broadband noise",
    ),
    Curve("filter", "Filter of the receiver: kHz from the carrier and dB", "what it keeps out far away"),
)


class KindRole(models.Model):
    """One carrier of a kind: what it tunes, how wide it is, where it is sent and received, what it must be spared.

    tuning: [{low_hz, high_hz, step_hz}]; guards_hz: {family: hertz or null}; radio: {name of a Figure: value,
    name of a Curve: [{offset_hz, level_db}]}.
    offset_hz: above the kind's first role (a repeater's output against its input); null where it stands alone.
    """

    kind = models.ForeignKey(Kind, on_delete=models.CASCADE, related_name="roles")
    position = models.PositiveSmallIntegerField()
    code = models.CharField(max_length=32, validators=[CODE])
    name = models.CharField(max_length=200)
    sent_by = models.CharField(max_length=16)
    received_by = models.CharField(max_length=16)
    tuning = models.JSONField()
    bandwidth_hz = models.PositiveBigIntegerField()
    offset_hz = models.BigIntegerField(null=True, blank=True)
    spacing_hz = models.PositiveBigIntegerField()
    guards_hz = models.JSONField(default=dict)
    mixes = models.BooleanField(default=True)
    radio = models.JSONField(default=dict)

    class Meta:
        ordering = ["kind", "position"]
        constraints = [
            models.UniqueConstraint(fields=["kind", "position"], name="registry_role_position_once_per_kind"),
            models.UniqueConstraint(fields=["kind", "code"], name="registry_role_code_once_per_kind"),
            models.CheckConstraint(condition=Q(bandwidth_hz__gt=0), name="registry_role_bandwidth_positive"),
        ]

    def __str__(self) -> str:
        return f"{self.kind}: {self.name}"


class Antennas(models.Model):
    """A zone's antenna system: what its receivers share behind their antenna, and its fixed transmitters before theirs.

    A zone without a row has nothing of the kind. In the order of the way in: antenna, cable (with its filter), amplifier,
    splitter. `low_hz` to `high_hz` is what the filter lets in; receivers that tune nothing of it have antennas of their own,
    and so has whatever somebody carries. `send_gain_dbi` empty: each transmitter's own antenna.
    """

    zone = models.OneToOneField(Zone, on_delete=models.CASCADE, related_name="antennas")
    gain_dbi = models.FloatField(default=0)
    cable_db = models.FloatField(default=0)
    low_hz = models.PositiveBigIntegerField(null=True, blank=True)
    high_hz = models.PositiveBigIntegerField(null=True, blank=True)
    amplifier_db = models.FloatField(default=0)
    amplifier_noise_db = models.FloatField(null=True, blank=True)
    amplifier_iip3_dbm = models.FloatField(null=True, blank=True)
    splitter_db = models.FloatField(default=0)
    send_combiner_db = models.FloatField(default=0)
    send_cable_db = models.FloatField(default=0)
    send_gain_dbi = models.FloatField(null=True, blank=True)
    note = models.CharField(max_length=500, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["zone"]
        verbose_name_plural = "antennas"
        constraints = [
            models.CheckConstraint(
                condition=Q(low_hz=None, high_hz=None) | Q(low_hz__lt=F("high_hz")),
                name="registry_antennas_filter_in_order",
            ),
            models.CheckConstraint(
                condition=Q(
                    cable_db__gte=0, splitter_db__gte=0, send_cable_db__gte=0, send_combiner_db__gte=0
                ),
                name="registry_antennas_losses_not_negative",
            ),
            models.CheckConstraint(
                condition=Q(amplifier_db=0)
                | Q(amplifier_db__gt=0, amplifier_noise_db__isnull=False, amplifier_iip3_dbm__isnull=False),
                name="registry_antennas_amplifier_with_its_figures",
            ),
        ]

    def __str__(self) -> str:
        return f"antennas of {self.zone}"


class Change(models.TextChoices):
    """Whether what a department uses now can move."""

    NO = "no", "not at all"
    BETWEEN_SHOWS = "between shows", "between shows"
    FREELY = "freely", "freely"


class Registration(models.Model):
    """One line of a department's list: what, how many carriers, how many units on each, where, when, how important.

    Known to others by the caller's `external_id` or by department and label. `reason` is why it was sent back or, of a
    submitted one, why it waits; `not_permitted` holds the ruleset's words where nothing that it asks for is permitted here.
    `stretches` ([[start, end], …] as ISO 8601, UTC, in order) says when it is on between `starts_at` and `ends_at`, where
    that is not all the time; whoever does not ask for `hours` takes it to be on from first to last.
    """

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="registrations")
    department = models.ForeignKey(Department, on_delete=models.PROTECT, related_name="registrations")
    external_id = models.CharField(max_length=100, blank=True)
    label = models.CharField(max_length=200)
    kind = models.ForeignKey(Kind, on_delete=models.PROTECT, related_name="registrations")
    zone = models.ForeignKey(Zone, on_delete=models.PROTECT, related_name="registrations")
    quantity = models.PositiveIntegerField(default=1)
    units = models.PositiveIntegerField(default=1)
    spares = models.PositiveIntegerField(default=0)
    starts_at = models.DateTimeField(null=True, blank=True)
    ends_at = models.DateTimeField(null=True, blank=True)
    stretches = models.JSONField(default=list, blank=True)
    priority = models.PositiveSmallIntegerField(default=2)
    power_mw = models.FloatField(null=True, blank=True)
    fixed_hz = models.PositiveBigIntegerField(null=True, blank=True)
    low_hz = models.PositiveBigIntegerField(null=True, blank=True)
    high_hz = models.PositiveBigIntegerField(null=True, blank=True)
    can_change = models.CharField(max_length=16, choices=Change.choices, default=Change.FREELY)
    contact = models.CharField(max_length=200, blank=True)
    notes = models.TextField(blank=True)
    settings = models.JSONField(default=dict)
    state = models.CharField(
        max_length=16, choices=RegistrationState.choices, default=RegistrationState.SUBMITTED
    )
    reason = models.TextField(blank=True)
    not_permitted = models.TextField(blank=True)
    late = models.BooleanField(default=False)
    version = models.PositiveIntegerField(default=1)
    created_at = models.DateTimeField(auto_now_add=True)
    updated_at = models.DateTimeField(auto_now=True)

    class Meta:
        ordering = ["event", "department", "label", "pk"]
        indexes = [models.Index(fields=["event", "state"])]
        constraints = [
            models.UniqueConstraint(
                fields=["department", "external_id"],
                condition=~Q(external_id=""),
                name="registry_external_id_once",
            ),
            models.UniqueConstraint(
                fields=["department", "label"],
                condition=~Q(state="withdrawn"),
                name="registry_label_once_per_department",
            ),
            models.CheckConstraint(
                condition=Q(quantity__gte=1, units__gte=1), name="registry_registration_counts"
            ),
            models.CheckConstraint(
                condition=Q(priority__gte=1, priority__lte=9), name="registry_registration_priority"
            ),
            models.CheckConstraint(
                condition=Q(starts_at=None, ends_at=None) | Q(starts_at__lt=F("ends_at")),
                name="registry_registration_hours",
            ),
            models.CheckConstraint(
                condition=Q(low_hz=None) | Q(high_hz=None) | Q(low_hz__lte=F("high_hz")),
                name="registry_registration_range",
            ),
            models.CheckConstraint(
                condition=Q(fixed_hz=None) | Q(quantity=1), name="registry_registration_fixed_is_one_carrier"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.department.code}: {self.label}"

    @property
    def all_day(self) -> bool:
        return self.starts_at is None

    @property
    def hours(self) -> list[tuple[datetime, datetime]]:
        """When it is on the air, in order, without overlaps; empty: all day, every day."""
        if self.stretches:
            return [
                (datetime.fromisoformat(start), datetime.fromisoformat(end)) for start, end in self.stretches
            ]
        return [(self.starts_at, self.ends_at)] if self.starts_at and self.ends_at else []

    @property
    def open_settings(self) -> list[str]:
        """What its kind asks to match at both ends and nobody has filled in: sheets leave room for it."""
        return [name for name in self.kind.settings if not self.settings.get(name)]

    @property
    def standing(self) -> str:
        """Its state in one word for people: what the ruleset refuses stands as such while it is still asked for."""
        asked_for = self.state in (RegistrationState.SUBMITTED, RegistrationState.ACCEPTED)
        return NOT_PERMITTED if self.not_permitted and asked_for else str(self.state)


class Upload(models.Model):
    """A device list as somebody sent it, kept byte for byte (compressed), whatever was in it.

    `outcome` counts what was saved of it ({new, changed, unchanged, left_out}), and `left_out` keeps the faults of the
    rows that were not; both empty until somebody says so. A long list waits for a worker: `seen` and `good_only` are
    what was asked for, `attempt` and `lease_until` decide who saves it, `refusal` says why it was not saved.
    `rule` is how a calendar was matched to lines when it was saved.
    """

    class Sort(models.TextChoices):
        LIST = "list", "device list"
        CALENDAR = "calendar", "calendar"

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="uploads")
    department = models.ForeignKey(
        Department, on_delete=models.SET_NULL, null=True, blank=True, related_name="uploads",
        help_text="for rows that name none",
    )  # fmt: skip
    name = models.CharField(max_length=200)
    content = models.BinaryField()
    read = models.BinaryField(null=True)  # what was read in a workbook, for to unpack one takes seconds
    size = models.PositiveIntegerField()
    uploaded_by = models.CharField(max_length=254)
    uploaded_at = models.DateTimeField(auto_now_add=True)
    saved_by = models.CharField(max_length=254, blank=True)
    saved_at = models.DateTimeField(null=True, blank=True)
    outcome = models.JSONField(default=dict)
    sort = models.CharField(max_length=10, choices=Sort.choices, default=Sort.LIST)
    rule = models.JSONField(default=dict)
    left_out = models.JSONField(default=list)
    state = models.CharField(max_length=8, choices=UploadState.choices, default=UploadState.KEPT)
    seen = models.CharField(max_length=16, blank=True)
    good_only = models.BooleanField(default=False)
    attempt = models.PositiveIntegerField(default=0)
    lease_until = models.DateTimeField(null=True, blank=True)
    rung_at = models.DateTimeField(null=True, blank=True)
    stage = models.CharField(max_length=60, blank=True)
    share = models.FloatField(default=0)
    refusal = models.TextField(blank=True)

    class Meta:
        ordering = ["event", "-pk"]
        indexes = [models.Index(fields=["state"], name="registry_upload_state")]

    def __str__(self) -> str:
        return self.name

    @property
    def active(self) -> bool:
        return self.state in (UploadState.QUEUED, UploadState.SAVING)


def feed_key() -> str:
    """What stands in the address of a feed: whoever knows it needs no log-in, so nobody may guess it."""
    return secrets.token_urlsafe(24)


class Feed(models.Model):
    """A calendar of hours on the air under a secret address: of a department, of a zone, or of both.

    Without a department it holds those of all that are not confidential; a confidential one has no feed, for a calendar
    program cannot log in.
    """

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="feeds")
    department = models.ForeignKey(
        Department, on_delete=models.CASCADE, null=True, blank=True, related_name="feeds"
    )
    zone = models.ForeignKey(Zone, on_delete=models.CASCADE, null=True, blank=True, related_name="feeds")
    key = models.CharField(max_length=48, unique=True, default=feed_key)
    made_by = models.CharField(max_length=254)
    made_at = models.DateTimeField(auto_now_add=True)
    revoked_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["event", "pk"]

    def __str__(self) -> str:
        parts = [row.name for row in (self.department, self.zone) if row]
        return ", ".join(parts) or "all departments"


class Draft(models.Model):
    """A line that somebody is typing: kept so that a closed browser loses nothing, seen by nobody else.

    `line` is the registration that it would change, 0 for a new one, or for several new ones where `many` says so;
    `typed` holds the form's fields as they were typed, of several lines under `rows`.
    """

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="drafts")
    person = models.CharField(max_length=254)
    line = models.PositiveBigIntegerField(default=0)
    many = models.BooleanField(default=False)
    typed = models.JSONField()
    kept_at = models.DateTimeField(auto_now=True)

    class Meta:
        ordering = ["event", "person", "line", "many"]
        constraints = [
            models.UniqueConstraint(
                fields=["event", "person", "line", "many"], name="registry_draft_once_per_person_and_form"
            )
        ]

    def __str__(self) -> str:
        return f"{self.person}: line {self.line or 'new'}"


class Batch(models.Model):
    """One act on many lines, done together for one reason, so that it can be undone while nothing depends on it.

    `act` is a name of batching.DONE; `values` are what a change set, in the columns of lines as they were given; `upload`
    is the list or calendar that was saved.
    """

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="batches")
    number = models.PositiveIntegerField()
    act = models.CharField(max_length=16)
    values = models.JSONField(default=dict)
    upload = models.OneToOneField(
        Upload, on_delete=models.SET_NULL, null=True, blank=True, related_name="batch"
    )
    reason = models.TextField(blank=True)
    made_by = models.CharField(max_length=254)
    made_by_name = models.CharField(max_length=200)
    made_at = models.DateTimeField()

    class Meta:
        ordering = ["event", "-number"]
        verbose_name_plural = "batches"
        constraints = [
            models.UniqueConstraint(fields=["event", "number"], name="registry_batch_number_once_per_event")
        ]

    def __str__(self) -> str:
        return f"batch {self.number} of {self.event}"


class BatchLine(models.Model):
    """What a batch did to one line: the version that it left, and what stood there before.

    `before` is {column: old value} of what changed; `withdrew` are the carriers that went with it.
    """

    batch = models.ForeignKey(Batch, on_delete=models.CASCADE, related_name="lines")
    registration = models.ForeignKey(Registration, on_delete=models.CASCADE, related_name="batch_lines")
    version = models.PositiveIntegerField()
    before = models.JSONField(encoder=DjangoJSONEncoder)
    withdrew = models.JSONField(default=list)
    undone_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["batch", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["batch", "registration"], name="registry_line_once_per_batch")
        ]

    def __str__(self) -> str:
        return f"{self.registration} in {self.batch}"


class Carrier(models.Model):
    """One transmitted frequency to assign. A row with a number that is given once and never again.

    position counts the sets of a registration from 1; a spare stands for a main of the same registration.
    """

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="carriers")
    registration = models.ForeignKey(Registration, on_delete=models.PROTECT, related_name="carriers")
    role = models.ForeignKey(KindRole, on_delete=models.PROTECT, related_name="carriers")
    code = models.CharField(max_length=40)
    position = models.PositiveIntegerField()
    spare_of = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="spares"
    )
    # Where it was at an earlier event, and would rather be again.
    previous_hz = models.PositiveBigIntegerField(null=True, blank=True)
    # Promised not to be taken away: set and lifted by whoever locks its assignment.
    held = models.BooleanField(default=False)
    withdrawn = models.BooleanField(default=False)

    class Meta:
        ordering = ["event", "code"]
        constraints = [
            models.UniqueConstraint(fields=["event", "code"], name="registry_carrier_code_once_per_event"),
            models.UniqueConstraint(
                fields=["registration", "role", "position"],
                condition=Q(withdrawn=False, spare_of=None),
                name="registry_carrier_position_once",
            ),
            models.CheckConstraint(condition=Q(position__gte=1), name="registry_carrier_position_from_one"),
        ]

    def __str__(self) -> str:
        return self.code


def unit_key() -> str:
    """What stands in a unit's QR code: unguessable, short enough to scan from two metres."""
    return secrets.token_urlsafe(9)


class Unit(models.Model):
    """One physical transmitter or receiver set to a carrier: what is labelled, checked in, fed with batteries."""

    carrier = models.ForeignKey(Carrier, on_delete=models.CASCADE, related_name="units")
    number = models.PositiveIntegerField()
    key = models.CharField(max_length=24, unique=True, default=unit_key)
    withdrawn = models.BooleanField(default=False)

    class Meta:
        ordering = ["carrier", "number"]
        constraints = [
            models.UniqueConstraint(
                fields=["carrier", "number"], name="registry_unit_number_once_per_carrier"
            )
        ]

    def __str__(self) -> str:
        return f"{self.carrier.code}/{self.number}"
