"""The journal's filters, kept in the address."""

from typing import Any

from django import forms


class JournalFilter(forms.Form):
    who = forms.ChoiceField(required=False)
    verb = forms.ChoiceField(required=False, label="Did what")
    department = forms.ChoiceField(required=False)
    subject = forms.CharField(
        required=False, label="To what", max_length=200, widget=forms.TextInput(attrs={"type": "search"})
    )

    def __init__(
        self,
        *args: Any,
        who: list[tuple[str, str]],
        verbs: list[str],
        departments: list[tuple[str, str]],
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        anything = [("", "any")]
        self.fields["who"].choices = [("", "anybody"), *who]
        self.fields["verb"].choices = anything + [(verb, verb) for verb in verbs]
        self.fields["department"].choices = anything + departments
