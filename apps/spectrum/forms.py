"""Forms of what is known about the spectrum at a site. People type megahertz; rows hold hertz, exact."""

from decimal import Decimal
from typing import Any

from django import forms
from django.db.models import QuerySet

from apps.events.forms import keep_to_days
from apps.events.models import Event, Zone
from apps.radio.surveys import UNITS
from apps.spectrum.models import PlannedRange
from apps.spectrum.rules import refusal_to_mark


class MegahertzField(forms.DecimalField):
    """A frequency typed in megahertz, at most six decimals; its value is whole hertz."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("min_value", Decimal("0.000001"))
        kwargs.setdefault("max_value", Decimal(300_000))
        super().__init__(max_digits=12, decimal_places=6, **kwargs)
        self.widget.attrs.setdefault("inputmode", "decimal")

    def to_python(self, value: Any) -> Any:
        # 470,1 is what many keyboards give for 470.1
        return super().to_python(value.replace(",", ".") if isinstance(value, str) else value)

    def clean(self, value: Any) -> int | None:
        megahertz = super().clean(value)
        return None if megahertz is None else int(megahertz * 1_000_000)

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, int):
            return f"{Decimal(value) / 1_000_000:f}"
        return value


class OccupiedForm(forms.Form):
    label = forms.CharField(max_length=100, help_text="Such as: television channel 33, on the air.")
    low_hz = MegahertzField(label="From, MHz")
    high_hz = MegahertzField(label="To, MHz")
    zones = forms.MultipleChoiceField(
        required=False,
        widget=forms.CheckboxSelectMultiple,
        label="Taken in",
        help_text="Nothing ticked: everywhere.",
    )
    starts_at = forms.DateTimeField(
        required=False, label="Taken from", widget=forms.DateTimeInput({"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        help_text="Local time. Empty, with the end: always. Only departments that share time make use of it.",
    )  # fmt: skip
    ends_at = forms.DateTimeField(
        required=False, label="until", widget=forms.DateTimeInput({"type": "datetime-local"}, format="%Y-%m-%dT%H:%M")
    )  # fmt: skip
    source = forms.CharField(
        max_length=200,
        required=False,
        label="How do you know?",
        help_text="A register, a sweep, somebody's word, and when.",
    )

    def __init__(self, *args: Any, event: Event, zones: QuerySet[Zone], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["zones"].choices = [(zone.code, zone.name) for zone in zones]
        keep_to_days(event, self.fields["starts_at"], self.fields["ends_at"])

    def clean(self) -> dict[str, Any]:
        values = super().clean() or self.cleaned_data
        low, high = values.get("low_hz"), values.get("high_hz")
        if low and high and low >= high:
            self.add_error("high_hz", "The range must end above its start.")
        return values


class OutsiderForm(forms.Form):
    label = forms.CharField(max_length=200, help_text="Such as: intercom of the neighbouring theatre.")
    zone = forms.ModelChoiceField(queryset=Zone.objects.none(), label="Heard at", empty_label=None)
    frequency_hz = MegahertzField(label="Frequency, MHz")
    bandwidth_hz = MegahertzField(label="Width, MHz", initial=200_000)
    level_db = forms.FloatField(
        label="Strength there, dB",
        initial=0,
        max_value=0,
        min_value=-150,
        help_text="Against a device of that zone: 0 is as strong, −20 a hundredth.",
    )
    source = forms.CharField(max_length=200, required=False, label="How do you know?")
    sure = forms.BooleanField(
        required=False, initial=True, label="Certain", help_text="Otherwise sheets call it suspected."
    )
    starts_at = forms.DateTimeField(
        required=False, label="On the air from", widget=forms.DateTimeInput({"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        help_text="Local time. Empty, with the end: always. Only departments that share time make use of it.",
    )  # fmt: skip
    ends_at = forms.DateTimeField(
        required=False, label="until", widget=forms.DateTimeInput({"type": "datetime-local"}, format="%Y-%m-%dT%H:%M")
    )  # fmt: skip

    def __init__(self, *args: Any, event: Event, zones: QuerySet[Zone], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["zone"].queryset = zones
        keep_to_days(event, self.fields["starts_at"], self.fields["ends_at"])


class PlannedRangeForm(forms.Form):
    """A range of the band plan. Nobody ticked means everybody."""

    label = forms.CharField(
        max_length=100, help_text="For coordinators, such as: low end for the late crews."
    )
    low_hz = MegahertzField(label="From, MHz")
    high_hz = MegahertzField(label="To, MHz")
    purpose = forms.ChoiceField(
        choices=PlannedRange.Purpose.choices, label="It is",
        help_text="Whoever is offered ranges takes no others. Late arrivals: lines registered after registration closed.",
    )  # fmt: skip
    hard = forms.BooleanField(
        required=False,
        initial=True,
        label="Binding",
        help_text="Otherwise preferred: broken rather than leaving somebody out.",
    )
    departments = forms.MultipleChoiceField(required=False, widget=forms.CheckboxSelectMultiple)
    kinds = forms.MultipleChoiceField(
        required=False, widget=forms.CheckboxSelectMultiple, label="Kinds of device",
        help_text="Name them where a department brings devices of other bands too.",
    )  # fmt: skip
    zones = forms.MultipleChoiceField(required=False, widget=forms.CheckboxSelectMultiple)
    reason = forms.CharField(
        max_length=200, required=False, help_text="Read by those whom it keeps out; name no other department."
    )

    def __init__(self, *args: Any, event: Event, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name, rows in (
            ("departments", event.departments),
            ("kinds", event.kinds),
            ("zones", event.zones),
        ):
            self.fields[name].choices = list(rows.order_by("code").values_list("code", "name"))


class ChannelsForm(forms.Form):
    """What is known of the ticked television channels."""

    state = forms.ChoiceField(
        label="They are", choices=[
            ("occupied", "occupied: on the air here, or protected"), ("free", "free here"),
            ("unknown", "not known any more"),
        ],
    )  # fmt: skip
    source = forms.CharField(
        max_length=200, required=False, label="How do you know?", help_text="The regulator's register, a survey, somebody's word."
    )  # fmt: skip
    known_on = forms.DateField(
        required=False, label="As of", widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d")
    )

    def clean(self) -> dict[str, Any]:
        values = super().clean() or self.cleaned_data
        if "known_on" not in self.errors:
            refused = refusal_to_mark(
                values.get("state", ""), values.get("source", ""), values.get("known_on")
            )
            for field, text in refused.items():
                if field not in self.errors:
                    self.add_error(field, text)
        return values


class KilohertzField(forms.DecimalField):
    """A bandwidth typed in kilohertz, at most three decimals; its value is whole hertz."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(
            min_value=Decimal("0.001"),
            max_value=Decimal(1_000_000),
            max_digits=10,
            decimal_places=3,
            **kwargs,
        )
        self.widget.attrs.setdefault("inputmode", "decimal")

    def to_python(self, value: Any) -> Any:
        return super().to_python(value.replace(",", ".") if isinstance(value, str) else value)

    def clean(self, value: Any) -> int | None:
        kilohertz = super().clean(value)
        return None if kilohertz is None else int(kilohertz * 1000)

    def prepare_value(self, value: Any) -> Any:
        return f"{Decimal(value) / 1000:f}" if isinstance(value, int) else value


class SurveyForm(forms.Form):
    """What the instrument's file does not say of itself."""

    zone = forms.ModelChoiceField(queryset=Zone.objects.none(), label="Measured at", empty_label=None)
    taken_at = forms.DateTimeField(
        label="When",
        widget=forms.DateTimeInput({"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        help_text="Local time of the event, when the sweep was made.",
    )
    resolution_hz = KilohertzField(
        label="Resolution bandwidth, kHz",
        help_text="Of the instrument; without it noise cannot be scaled to a receiver.",
    )
    antenna = forms.CharField(
        max_length=200,
        required=False,
        label="Antenna",
        help_text="Which, where, how high, with what cable or amplifier.",
    )
    unit_told = forms.ChoiceField(
        label="Frequencies are in",
        required=False,
        choices=[("", "recognise it"), *((unit, unit) for unit in UNITS)],
    )
    floor_told_dbm = forms.FloatField(
        label="Instrument's own floor, dBm",
        required=False,
        min_value=-250,
        max_value=60,
        help_text="With its input closed off, in the same bandwidth. Empty: found from the quietest fifth of the survey.",
    )

    def __init__(self, *args: Any, zones: QuerySet[Zone], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["zone"].queryset = zones
