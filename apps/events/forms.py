"""Forms of events: what a browser sends, read and checked field by field before an action is asked."""

import zoneinfo
from datetime import timedelta
from typing import Any

from django import forms
from django.contrib.auth.forms import AuthenticationForm, SetPasswordMixin, UsernameField
from django.db.models import QuerySet

from apps.events.models import CODE, Department, Event, Person, Role, Surroundings, Walls

CODE_HELP = "Short, for lists and labels: letters, digits and hyphens. It stays as it is."


class LogInForm(AuthenticationForm):
    username = UsernameField(label="E-mail address", widget=forms.EmailInput(attrs={"autofocus": True}))
    error_messages = {
        "invalid_login": "This address and password do not belong together. Look at both, and at the caps lock.",
        "inactive": "This account is closed.",
    }


class NewcomerForm(SetPasswordMixin, forms.Form):
    """Somebody who opens an invitation and has no log-in yet."""

    name = forms.CharField(
        max_length=200, label="Your name", help_text="As the others at the event know you."
    )
    password1, password2 = SetPasswordMixin.create_password_fields(
        label1="Choose a password", label2="The same password again"
    )
    password1.help_text = "At least ten characters; nothing common, nothing close to your name."
    password2.help_text = ""

    def __init__(self, *args: Any, email: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.email = email

    def clean(self) -> dict[str, Any]:
        self.validate_passwords()
        self.validate_password_for_user(Person(email=self.email, name=self.cleaned_data.get("name", "")))
        return super().clean() or self.cleaned_data


def _time_zones() -> list[tuple[str, str]]:
    names = sorted(
        name
        for name in zoneinfo.available_timezones()
        if "/" in name and not name.startswith(("Etc/", "posix", "right"))
    )
    return [(name, name.replace("_", " ")) for name in [*names, "UTC"]]


class DayInput(forms.DateInput):
    input_type = "date"

    def __init__(self) -> None:
        super().__init__(format="%Y-%m-%d")


class MomentInput(forms.DateTimeInput):
    input_type = "datetime-local"

    def __init__(self) -> None:
        super().__init__(format="%Y-%m-%dT%H:%M")


def keep_to_days(event: Event, *fields: forms.Field) -> None:
    """Pickers of moments open at the event's days and offer them alone, with the night after the last.

    Others may be typed: forms with such fields are judged by the server, so they say `novalidate`."""
    last = event.ends_on + timedelta(days=1)
    for field in fields:
        field.widget.attrs |= {"min": f"{event.starts_on}T00:00", "max": f"{last}T12:00"}


class EventForm(forms.Form):
    name = forms.CharField(max_length=200)
    site = forms.CharField(max_length=200, required=False, help_text="Where it takes place, in words.")
    starts_on = forms.DateField(
        label="First day", widget=DayInput(), help_text="With building up and rehearsals."
    )
    ends_on = forms.DateField(label="Last day", widget=DayInput())
    timezone = forms.ChoiceField(
        label="Time zone", help_text="All hours on pages and sheets are local to it."
    )
    ruleset = forms.ChoiceField(
        label="Ruleset",
        help_text="What the law permits where. Confirm it with the local regulator before anybody transmits.",
    )

    def __init__(self, *args: Any, rulesets: list[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["timezone"].choices = _time_zones()
        self.fields["ruleset"].choices = rulesets


class NewEventForm(EventForm):
    slug = forms.SlugField(
        max_length=64,
        label="Address",
        help_text="The last part of the event's address: small letters, digits, hyphens. It stays as it is.",
    )
    field_order = ["name", "slug"]


class ChangeEventForm(EventForm):
    contact_on_site = forms.CharField(
        max_length=200, required=False,
        help_text="Whom crews call on the day, such as a number or a radio channel. Stands on every sheet, and on the page "
        "behind a device's QR code, which anybody opens who holds the device: no private number.",
    )  # fmt: skip
    registration_closes_at = forms.DateTimeField(
        required=False, label="Registration closes", widget=MomentInput(),
        help_text="Local time. Later lines are still taken, marked as late, and wait for you. Empty: never.",
    )  # fmt: skip
    accepts_automatically = forms.BooleanField(
        required=False, label="Accept lines at once where ruleset and deadline allow",
        help_text="Otherwise every line waits until a coordinator accepts it.",
    )  # fmt: skip
    latitude_deg = forms.FloatField(
        required=False, label="Latitude of the origin, degrees", min_value=-90, max_value=90,
        help_text="Zones lie in metres from this point.",
    )  # fmt: skip
    longitude_deg = forms.FloatField(
        required=False, label="Longitude of the origin, degrees", min_value=-180, max_value=180
    )
    surroundings = forms.ChoiceField(
        choices=Surroundings.choices, label="Between zones",
        help_text="What stands between low antennas. Open is the cautious choice: others are heard louder.",
    )  # fmt: skip
    fade_db = forms.FloatField(
        label="Fade allowance, dB", min_value=0, max_value=60,
        help_text="How far a wanted signal may fall below its weakest planned level: crowds and reflections. Usually 20.",
    )  # fmt: skip


class ZoneForm(forms.Form):
    name = forms.CharField(max_length=200)
    words = forms.CharField(
        required=False,
        label="In words",
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="Where the antennas stand; how to get there.",
    )
    east_m = forms.FloatField(label="East of the origin, m", initial=0, help_text="Negative: west.")
    north_m = forms.FloatField(label="North of the origin, m", initial=0, help_text="Negative: south.")
    antenna_height_m = forms.FloatField(
        label="Height of the antennas, m", initial=3, min_value=0, max_value=500
    )
    own_distance_m = forms.FloatField(
        label="Antennas to the zone's own devices, m", initial=20, min_value=0.1, max_value=50_000,
        help_text="Usually. It decides how strong the wanted signal is against everybody else's.",
    )  # fmt: skip
    nearest_m = forms.FloatField(
        label="At their nearest, m",
        min_value=0.1,
        max_value=50_000,
        required=False,
        help_text="Empty: a fifth of that.",
    )
    farthest_m = forms.FloatField(
        label="At their farthest, m",
        min_value=0.1,
        max_value=100_000,
        required=False,
        help_text="Empty: twice that; where the zone has an outline, to its farthest corner.",
    )
    rack_m = forms.FloatField(
        label="Antennas to the rack beside them, m", initial=3, min_value=0.1, max_value=1000,
        help_text="Where the transmitters of in-ear monitors stand.",
    )  # fmt: skip
    indoor = forms.BooleanField(
        required=False, label="Indoors", help_text="Walls weaken what comes from outside."
    )
    walls = forms.ChoiceField(
        choices=Walls.choices, initial=Walls.TRADITIONAL, label="Walls, where it is indoors",
        help_text="As ITU-R P.2109 tells them apart.",
    )  # fmt: skip
    noise_rise_db = forms.FloatField(
        label="Local noise of screens and lighting, dB", initial=0, min_value=0, max_value=60,
        help_text="By how much it raises the noise of receivers there. 0 until somebody measured it.",
    )  # fmt: skip


class NewZoneForm(ZoneForm):
    code = forms.CharField(max_length=32, validators=[CODE], help_text=CODE_HELP)
    field_order = ["code", "name"]


class DepartmentForm(forms.Form):
    name = forms.CharField(max_length=200)
    confidential = forms.BooleanField(
        required=False, help_text="Never appears to others by name or frequency, nor to observers."
    )
    open_to_others = forms.BooleanField(
        required=False,
        label="Named to others",
        help_text="Leads of other departments may see its name and its carriers.",
    )
    shares_time = forms.BooleanField(
        required=False,
        label="Shares its frequencies outside its hours",
        help_text="More fits into the same range; both sides must keep to their hours.",
    )

    def clean(self) -> dict[str, Any]:
        values = super().clean() or self.cleaned_data
        if values.get("confidential") and values.get("open_to_others"):
            self.add_error(
                "open_to_others", "A confidential department cannot be named to others; choose one."
            )
        return values


class NewDepartmentForm(DepartmentForm):
    code = forms.CharField(
        max_length=16,
        validators=[CODE],
        help_text=f"{CODE_HELP} Its frequencies are numbered with it: AUD-001.",
    )
    field_order = ["code", "name"]


class RoleForm(forms.Form):
    role = forms.ChoiceField(
        choices=Role.choices,
        help_text="Coordinators do everything; leads their department; the site desk checks devices in; observers read.",
    )
    department = forms.ModelChoiceField(
        queryset=Department.objects.none(), required=False, empty_label="none", help_text="For leads only."
    )

    def __init__(self, *args: Any, departments: QuerySet[Department], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["department"].queryset = departments

    def clean(self) -> dict[str, Any]:
        values = super().clean() or self.cleaned_data
        if (
            values.get("role") == Role.LEAD
            and not values.get("department")
            and "department" not in self.errors
        ):
            self.add_error("department", "Which department do they lead?")
        if values.get("role") not in (Role.LEAD, None) and values.get("department"):
            self.add_error("department", "Only a lead leads a department; choose none.")
        return values


class InvitationForm(RoleForm):
    email = forms.EmailField(label="E-mail address")
    name = forms.CharField(max_length=200, required=False, label="Name, if you know it")
    field_order = ["email", "name", "role", "department"]


class TokenForm(forms.Form):
    label = forms.CharField(
        max_length=200, label="What is it for?", help_text="Such as: the crew's spreadsheet."
    )
    department = forms.ModelChoiceField(
        queryset=Department.objects.none(),
        required=False,
        empty_label="all that you reach",
        label="Limited to",
    )
    days = forms.IntegerField(label="Valid for, days", initial=30, min_value=1, max_value=366)
    writes = forms.BooleanField(required=False, label="May write", help_text="Otherwise it only reads.")

    def __init__(self, *args: Any, departments: QuerySet[Department], may_write: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["department"].queryset = departments
        if not may_write:
            del self.fields["writes"]


class MapForm(forms.Form):
    """Zones as GeoJSON: a file, or its text, which stays on the page until it is saved."""

    file = forms.FileField(label="Map (GeoJSON)", required=False, allow_empty_file=True)
    text = forms.CharField(
        label="or its text",
        required=False,
        strip=False,
        widget=forms.Textarea({"rows": 6, "spellcheck": "false"}),
    )

    def clean(self) -> dict[str, Any]:
        values = super().clean() or self.cleaned_data
        if file := values.get("file"):
            try:
                values["text"] = file.read().decode("utf-8-sig")
            except UnicodeDecodeError:
                self.add_error("file", "This is no text in UTF-8. Export the zones as GeoJSON (RFC 7946).")
        elif not values.get("text", "").strip():
            self.add_error("file", "Choose a file, or put its text below.")
        return values
