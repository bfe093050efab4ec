"""Forms of reports: what is wrong, with what, where; and the answer."""

from typing import Any

from django import forms
from django.db.models import QuerySet

from apps.events.actors import Actor
from apps.events.models import Zone
from apps.onsite.queries import carrier_named
from apps.onsite.rules import refusal_about
from apps.onsite.states import ReportState, Trouble
from apps.registry.models import Carrier
from apps.registry.queries import carriers_of
from apps.spectrum.forms import MegahertzField


class ReportForm(forms.Form):
    """What somebody beside a device can tell. A device is named by the number on its sheet and label."""

    trouble = forms.ChoiceField(label="What is wrong?", choices=Trouble.choices, widget=forms.RadioSelect())
    carrier = forms.CharField(
        max_length=20, required=False, label="Which device?", help_text="The number on its sheet."
    )  # fmt: skip
    zone = forms.ModelChoiceField(
        queryset=Zone.objects.none(), required=False, label="Where?", empty_label="where the device belongs"
    )  # fmt: skip
    frequency_hz = MegahertzField(
        required=False, label="Frequency, MHz", help_text="Only if it is not the device's own: where you see or hear it."
    )  # fmt: skip
    words = forms.CharField(
        max_length=1000, label="What happens, and since when?", widget=forms.Textarea({"rows": 3}),
        error_messages={"required": "Say what you hear or see, and since when; a few words do."},
    )  # fmt: skip

    def __init__(self, *args: Any, actor: Actor, zones: QuerySet[Zone], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.actor = actor
        self.fields["zone"].queryset = zones
        if own := carriers_of(actor).order_by("code").values_list("code", flat=True).first():
            self.fields["carrier"].help_text = f"The number on its sheet, such as {own}."

    def clean_carrier(self) -> Carrier | None:
        code = self.cleaned_data["carrier"]
        carrier = carrier_named(self.actor, code) if code else None
        if code and carrier is None:
            raise forms.ValidationError(
                f"There is no device «{code}» that you may see. Its number stands on its sheet; leave this empty otherwise."
            )
        return carrier

    def clean(self) -> dict[str, Any]:
        values = super().clean() or self.cleaned_data
        if "carrier" in values:
            for field, why in refusal_about(
                values["carrier"], values.get("zone"), values.get("frequency_hz")
            ).items():
                self.add_error(field, why)
        return values


class ReportFilter(forms.Form):
    """Which reports show; kept in the address."""

    state = forms.ChoiceField(choices=[("", "all"), *ReportState.choices], required=False)


class AnswerForm(forms.Form):
    answer = forms.CharField(
        max_length=1000, label="What was it, and what is to be done?", widget=forms.Textarea({"rows": 3}),
        help_text="Whoever filed it reads this, and so do the leads of the device's department.",
        error_messages={"required": "Write what it was; whoever told it waits for that."},
    )  # fmt: skip
