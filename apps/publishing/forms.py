"""Forms of publishing: the filters of the review, and the act of publishing."""

from typing import Any

from django import forms

from apps.events.actors import Actor
from apps.planning.queries import PLAN_STATES
from apps.publishing import differences
from apps.registry.forms import DeviceFilter


class ReviewFilter(DeviceFilter):
    """Which rows of the plan show; kept in the address."""

    order = forms.ChoiceField(required=False, choices=[("", "by carrier"), ("margin", "worst margin first")])
    since = forms.ChoiceField(label="Change", required=False)

    def __init__(self, *args: Any, actor: Actor, **kwargs: Any) -> None:
        super().__init__(*args, actor=actor, **kwargs)
        self.fields["state"] = forms.ChoiceField(
            choices=[("", "all"), *((state, state) for state in PLAN_STATES)], required=False
        )
        words = ((word, word) for word in differences.WORDS)
        self.fields["since"] = forms.ChoiceField(
            label="Change", choices=[("", "all"), *words], required=False
        )


class PublishForm(forms.Form):
    """For whom, and with which words."""

    department = forms.ChoiceField(label="For whom", required=False)
    note = forms.CharField(
        required=False, widget=forms.Textarea({"rows": 2}), help_text="Stands on every sheet of this edition."
    )

    def __init__(self, *args: Any, actor: Actor, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        known = actor.event.departments.order_by("code").values_list("code", "name")
        self.fields["department"] = forms.ChoiceField(
            label="For whom",
            required=False,
            choices=[("", "everybody"), *((code, f"{name} only") for code, name in known)],
        )
