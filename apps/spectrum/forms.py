"""Forms of what is known about the spectrum at a site. People type megahertz; rows hold hertz, exact."""

from decimal import Decimal
from typing import Any

from django import forms
from django.db.models import QuerySet

from apps.events.models import Zone


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
    source = forms.CharField(
        max_length=200,
        required=False,
        label="How do you know?",
        help_text="A register, a sweep, somebody's word, and when.",
    )

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

    def __init__(self, *args: Any, zones: QuerySet[Zone], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["zone"].queryset = zones
