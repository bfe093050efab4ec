"""Forms of planning: asking for a run, a frequency by hand, a signature under a breach."""

from typing import Any

from django import forms

from apps.events.forms import DayInput, keep_to_days
from apps.events.models import Event
from apps.planning.queries import PLAN_CHOICES
from apps.planning.running import MAX_SECONDS
from apps.planning.surveying import AS_PLANNED, NONE_ON
from apps.registry.forms import DeviceFilter
from apps.spectrum.forms import MegahertzField, SurveyForm


class LineFilter(DeviceFilter):
    """Which lines of the list show, by what became of their frequencies too."""

    frequency = forms.ChoiceField(
        label="Frequencies",
        required=False,
        choices=PLAN_CHOICES,
    )
    sheet = forms.ChoiceField(
        label="Settings", required=False, choices=[("", "all"), ("open", "still to fill in")]
    )


class RunForm(forms.Form):
    """What a run is asked for."""

    seconds = forms.FloatField(
        min_value=1, max_value=MAX_SECONDS,
        help_text="How long it may search. It can be stopped at any time and keeps what it has.",
    )  # fmt: skip
    repair = forms.BooleanField(
        label="Move as little as possible",
        required=False,
        help_text="For a plan that people use already: what is proposed or approved stays where it can. "
        "What is locked never moves, with or without this.",
    )


class FrequencyForm(forms.Form):
    """A frequency by hand: looked at first, saved afterwards. `shown` names the recount that was looked at."""

    frequency_hz = MegahertzField(
        label="Frequency in MHz",
        widget=forms.TextInput({"autocomplete": "off"}),
        help_text="Point or comma, such as 606.125.",
    )
    reason = forms.CharField(
        label="Reason (needed)",
        required=False,
        help_text="Stands in the row and in the journal.",
        widget=forms.TextInput({"aria-required": "true"}),
    )
    version = forms.IntegerField(widget=forms.HiddenInput)
    shown = forms.CharField(required=False, widget=forms.HiddenInput)


class AcceptForm(forms.Form):
    """A signature under one breach."""

    breach = forms.CharField(widget=forms.HiddenInput)
    reason = forms.CharField(
        label="Why it may stay (needed)",
        required=False,
        help_text="Stands with your name on the sheets of all departments concerned, word for word: name no confidential one.",
        widget=forms.TextInput({"aria-required": "true"}),
    )
    until = forms.DateTimeField(
        required=False,
        widget=forms.DateTimeInput({"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        help_text="Empty: until the plan changes on either side.",
    )

    def __init__(self, *args: Any, event: Event, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        keep_to_days(event, self.fields["until"])


class NextEventForm(forms.Form):
    """A new event from this one."""

    name = forms.CharField(max_length=200)
    slug = forms.SlugField(
        max_length=64,
        label="Address",
        help_text="The last part of the new event's address; it stays as it is.",
    )
    starts_on = forms.DateField(
        label="First day", widget=DayInput(), help_text="364 days later all weekdays stay as they are."
    )
    people = forms.BooleanField(
        required=False, initial=True, label="The people, in the roles that they have here"
    )
    surroundings = forms.BooleanField(
        required=False,
        initial=True,
        label="Ranges taken by others, and outsiders, marked to be looked at again",
    )
    lines = forms.BooleanField(
        required=False, initial=True, label="The departments' lines, their hours moved to the new days"
    )
    plan = forms.BooleanField(
        required=False, initial=True, label="The frequencies, as a wish: each carrier would rather be where it was",
        help_text="Nothing is agreed by that; a run decides, and people after it.",
    )  # fmt: skip


WHICH = [
    (AS_PLANNED, "those that the plan has on at that time, where it is agreed"),
    (NONE_ON, "none: all of ours were off"),
]


class SurveyUploadForm(SurveyForm):
    """A survey's file, and what it does not say of itself."""

    which = forms.ChoiceField(
        label="Ours that were on the air",
        choices=WHICH,
        help_text="They are taken out before anything counts as noise.",
    )
    file = forms.FileField(
        label="File",
        help_text="Two columns of text, frequency and level in dBm, divided by comma, semicolon or tab, with or without titles.",
    )
    field_order = ("zone", "file", "taken_at", "resolution_hz", "antenna", "which")


class ChangeSurveyForm(SurveyForm):
    """What is said of a survey that is there."""

    which = forms.ChoiceField(label="Ours that were on the air", required=False)
    counts = forms.BooleanField(
        required=False,
        label="It counts",
        help_text="For highest-hold, median and the noise of the next run. Without its bandwidth it cannot.",
    )
    version = forms.IntegerField(widget=forms.HiddenInput)
    field_order = ("zone", "taken_at", "resolution_hz", "antenna", "which")

    def __init__(self, *args: Any, recorded: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["which"].choices = [("", f"as recorded: {recorded}"), *WHICH]


class ThresholdForm(forms.Form):
    """Which part of the spectrum is drawn, and over which level a range is suggested."""

    low_hz = MegahertzField(label="Draw from, MHz", required=False)
    high_hz = MegahertzField(label="to, MHz", required=False)
    threshold_dbm = forms.FloatField(
        label="Suggest ranges over, dBm",
        required=False,
        min_value=-250,
        max_value=60,
    )
