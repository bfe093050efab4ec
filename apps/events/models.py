"""Events and their zones and departments; people, what they are in an event, and the tokens of their machines."""

from typing import Any, ClassVar

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.contrib.auth.models import PermissionsMixin
from django.core.validators import RegexValidator
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Lower
from django.utils import timezone
from knox.models import AbstractAuthToken

CODE = RegexValidator(
    r"^[A-Za-z0-9][A-Za-z0-9-]*$", "Use letters, digits and hyphens, a letter or digit first."
)


class People(BaseUserManager["Person"]):
    """How people are made: by e-mail address, in lower case."""

    def create_user(self, email: str, password: str | None = None, **fields: Any) -> "Person":
        person = self.model(email=email.strip().lower(), **fields)
        person.set_password(password)
        person.save(using=self._db)
        return person

    def create_superuser(self, email: str, password: str | None = None, **fields: Any) -> "Person":
        return self.create_user(email, password, is_staff=True, is_superuser=True, **fields)

    def get_by_natural_key(self, username: str | None) -> "Person":
        return self.get(email=(username or "").strip().lower())


class Person(AbstractBaseUser, PermissionsMixin):
    """Somebody who logs in with an e-mail address. What they may do stands in their memberships, per event."""

    email = models.EmailField(unique=True)
    name = models.CharField(max_length=200)
    is_active = models.BooleanField(default=True)
    is_staff = models.BooleanField(default=False, help_text="may use the back door for administrators")
    created_at = models.DateTimeField(auto_now_add=True)

    objects: ClassVar[People] = People()
    USERNAME_FIELD = "email"
    REQUIRED_FIELDS = ["name"]

    class Meta:
        constraints = [models.UniqueConstraint(Lower("email"), name="events_person_email_any_case")]

    def __str__(self) -> str:
        return self.name or self.email


class Surroundings(models.TextChoices):
    """What stands between low antennas that do not see each other."""

    OPEN = "open", "open: everything is in sight"
    SUBURBAN = "suburban", "suburban: houses between"
    URBAN = "urban", "urban: streets of high houses between"
    DENSE = "dense", "dense: towers between"


class Walls(models.TextChoices):
    """What the walls of a building are made of, as ITU-R P.2109 tells them apart."""

    TRADITIONAL = "traditional", "traditional: brick, wood, plain glass"
    EFFICIENT = "thermally efficient", "thermally efficient: metallised glass, foil"


class Event(models.Model):
    """One production at one site over some days, in one time zone.

    `revision` rises in the transaction of every action that the solver would notice; snapshots and verdicts name it.
    `version` rises when the event's own fields are edited.
    """

    slug = models.SlugField(max_length=64, unique=True)
    name = models.CharField(max_length=200)
    site = models.CharField(max_length=200, blank=True)
    timezone = models.CharField(max_length=64)
    starts_on = models.DateField()
    ends_on = models.DateField()
    ruleset = models.CharField(max_length=40)
    latitude_deg = models.FloatField(null=True, blank=True)
    longitude_deg = models.FloatField(null=True, blank=True)
    contact_on_site = models.CharField(max_length=200, blank=True)
    registration_closes_at = models.DateTimeField(null=True, blank=True)
    accepts_automatically = models.BooleanField(default=True)
    surroundings = models.CharField(max_length=20, choices=Surroundings.choices, default=Surroundings.OPEN)
    fade_db = models.FloatField(default=20, help_text="allowed for below the weakest planned wanted signal")
    revision = models.PositiveBigIntegerField(default=1)
    version = models.PositiveIntegerField(default=1)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["starts_on", "slug"]
        constraints = [
            models.CheckConstraint(
                condition=Q(starts_on__lte=F("ends_on")), name="events_event_days_in_order"
            ),
            models.CheckConstraint(
                condition=Q(fade_db__gte=0, fade_db__lte=60), name="events_event_fade_plausible"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Zone(models.Model):
    """A place that sends, receives or both. Metres east and north of the event's origin; degrees only at the edge.

    `east_m` and `north_m` are where its antennas are. `outline` ([[[east, north], …], …]: a ring of corners, then its holes)
    is what it covers, where somebody drew that.
    """

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="zones")
    code = models.CharField(max_length=32, validators=[CODE])
    name = models.CharField(max_length=200)
    words = models.TextField(blank=True)
    east_m = models.FloatField(default=0)
    north_m = models.FloatField(default=0)
    outline = models.JSONField(default=list, blank=True)
    antenna_height_m = models.FloatField(default=3)
    indoor = models.BooleanField(default=False)
    walls = models.CharField(max_length=20, choices=Walls.choices, default=Walls.TRADITIONAL)
    noise_rise_db = models.FloatField(
        default=0, help_text="by how much screens and lighting raise the noise of receivers there"
    )
    own_distance_m = models.FloatField(
        default=20, help_text="from the antennas to the zone's own devices, usually"
    )
    nearest_m = models.FloatField(null=True, help_text="how near they come; empty: a fifth of the usual")
    farthest_m = models.FloatField(
        null=True, help_text="how far they go; empty: to the outline's farthest corner, else twice the usual"
    )
    rack_m = models.FloatField(
        default=3, help_text="from the antennas to the transmitters of in-ear monitors"
    )
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["event", "code"]
        constraints = [
            models.UniqueConstraint(fields=["event", "code"], name="events_zone_code_once_per_event"),
            models.CheckConstraint(
                condition=Q(own_distance_m__gt=0), name="events_zone_own_distance_positive"
            ),
            models.CheckConstraint(
                condition=(Q(nearest_m=None) | Q(nearest_m__gt=0, nearest_m__lte=F("own_distance_m")))
                & (Q(farthest_m=None) | Q(farthest_m__gte=F("own_distance_m")))
                & Q(rack_m__gt=0),
                name="events_zone_distances_in_order",
            ),
            models.CheckConstraint(condition=Q(noise_rise_db__gte=0), name="events_zone_noise_only_rises"),
        ]

    def __str__(self) -> str:
        return self.name


class Department(models.Model):
    """A party that brings devices. A confidential one never appears to others by name or frequency."""

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="departments")
    code = models.CharField(max_length=16, validators=[CODE])
    name = models.CharField(max_length=200)
    confidential = models.BooleanField(default=False)
    open_to_others = models.BooleanField(
        default=False, help_text="leads of other departments may see its name"
    )
    shares_time = models.BooleanField(
        default=False, help_text="its frequencies may serve others outside its hours"
    )
    # The last carrier number given out; numbers are never given twice.
    carriers_numbered = models.PositiveIntegerField(default=0)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["event", "code"]
        constraints = [
            models.UniqueConstraint(fields=["event", "code"], name="events_department_code_once_per_event"),
            models.CheckConstraint(
                condition=~Q(confidential=True, open_to_others=True),
                name="events_department_confidential_or_open",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Role(models.TextChoices):
    COORDINATOR = "coordinator", "coordinator"
    LEAD = "lead", "lead"
    DESK = "desk", "site desk"
    OBSERVER = "observer", "observer"


class Membership(models.Model):
    """What a person is in an event. A lead leads one department per row; the other roles know no department."""

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="memberships")
    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="memberships")
    role = models.CharField(max_length=16, choices=Role.choices)
    department = models.ForeignKey(
        Department, on_delete=models.CASCADE, null=True, blank=True, related_name="memberships"
    )
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["event", "person", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["person", "department"], name="events_lead_once_per_department"),
            models.UniqueConstraint(
                fields=["event", "person"],
                condition=Q(department=None),
                name="events_one_role_beside_leading",
            ),
            models.CheckConstraint(
                condition=Q(role="lead", department__isnull=False) | (~Q(role="lead") & Q(department=None)),
                name="events_lead_has_department",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person} as {self.role}"


class Invitation(models.Model):
    """A link that makes whoever opens it a member; spent once."""

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="invitations")
    email = models.EmailField()
    name = models.CharField(max_length=200, blank=True)
    role = models.CharField(max_length=16, choices=Role.choices)
    department = models.ForeignKey(Department, on_delete=models.CASCADE, null=True, blank=True)
    key_digest = models.CharField(max_length=64, unique=True)
    invited_by = models.CharField(max_length=254)
    created_at = models.DateTimeField(auto_now_add=True)
    expires_at = models.DateTimeField()
    accepted_at = models.DateTimeField(null=True, blank=True)
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["event", "-created_at", "pk"]

    def __str__(self) -> str:
        return f"{self.email} as {self.role}"


class Token(AbstractAuthToken):
    """A machine's key, limited to one event, to one department or all of the person's, to reading or writing."""

    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="tokens")
    department = models.ForeignKey(
        Department, on_delete=models.CASCADE, null=True, blank=True, related_name="tokens"
    )
    writes = models.BooleanField(default=False)
    label = models.CharField(max_length=200, blank=True)
    last_used_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-created", "pk"]

    @property
    def standing(self) -> str:
        """Whether it still opens anything, in one word."""
        return "expired" if self.expiry is not None and self.expiry <= timezone.now() else "valid"


class Repeat(models.Model):
    """A request that its sender named, so that it is done once however often it is sent.

    While it is done, `status` is empty and `holder` names whoever does it, under a lease; the answer (`body`, compressed) is
    written in the transaction of what was done, and only by the holder. The same name with another `digest` is refused.
    """

    token = models.ForeignKey(Token, on_delete=models.CASCADE, related_name="repeats")
    key = models.CharField(max_length=255)
    digest = models.CharField(max_length=64)
    holder = models.CharField(max_length=32)
    lease_until = models.DateTimeField()
    at = models.DateTimeField(auto_now_add=True)
    status = models.PositiveSmallIntegerField(null=True, blank=True)
    headers = models.JSONField(default=dict)
    body = models.BinaryField(default=b"")

    class Meta:
        ordering = ["token", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["token", "key"], name="events_repeat_key_once_per_token")
        ]

    def __str__(self) -> str:
        return self.key
