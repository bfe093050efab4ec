"""Forms of publishing: the filters of the review, the act of publishing, webhooks and one's own notices."""

from typing import Any
from zoneinfo import ZoneInfo

from django import forms

from apps.events.actors import Actor
from apps.events.models import Department
from apps.events.queries import departments_of
from apps.planning.outlook import OUTLOOKS
from apps.planning.queries import PLAN_CHOICES
from apps.publishing import differences, reaching
from apps.publishing.models import Mailbox
from apps.publishing.occurrences import OF_THE_WHOLE_EVENT, Topic
from apps.publishing.sheets import SheetLine, days_on_air
from apps.publishing.states import NoticeTopic, PostState
from apps.registry.forms import DeviceFilter


class ReviewFilter(DeviceFilter):
    """Which rows of the plan show; kept in the address."""

    RARER = ("kind", "order", "outlook", "since")

    order = forms.ChoiceField(required=False, choices=[("", "by carrier"), ("margin", "worst margin first")])
    outlook = forms.ChoiceField(
        label="By the model", required=False, choices=[("", "all"), *((word, word) for word in OUTLOOKS)]
    )
    since = forms.ChoiceField(label="Change", required=False)

    def __init__(self, *args: Any, actor: Actor, **kwargs: Any) -> None:
        super().__init__(*args, actor=actor, **kwargs)
        self.fields["state"] = forms.ChoiceField(choices=PLAN_CHOICES, required=False)
        words = ((word, word) for word in differences.WORDS)
        self.fields["since"] = forms.ChoiceField(
            label="Change", choices=[("", "all"), *words], required=False
        )

    @property
    def often(self) -> list[forms.BoundField]:
        return [field for field in self if field.name not in self.RARER]

    @property
    def rarer(self) -> list[forms.BoundField]:
        """What stands behind «More filters», which is open while one of them is used."""
        return [self[name] for name in self.RARER]

    @property
    def rarer_used(self) -> bool:
        return any(name in self.RARER for name in self.chosen())


class SheetFilter(forms.Form):
    """Which devices of a sheet show on the screen; kept in the address, so that it can be sent on. Paper stays whole."""

    day = forms.ChoiceField(required=False, label="On the air on")
    text = forms.CharField(
        required=False, label="Search", widget=forms.TextInput({"type": "search", "autocomplete": "off"})
    )

    def __init__(self, *args: Any, lines: list[SheetLine], zone: ZoneInfo, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.zone = zone
        days = sorted({day for line in lines for day in days_on_air(line, zone)})
        self.fields["day"].choices = [("", "all days"), *((str(day), f"{day:%a %d %b}") for day in days)]
        if not days:
            del self.fields["day"]

    def chosen(self) -> dict[str, str]:
        """The filters that are set; a value that does not fit is kept, and leaves nothing."""
        values = {name: str(self[name].value() or "").strip() for name in self.fields}
        return {name: value for name, value in values.items() if value}

    def left(self, lines: list[SheetLine]) -> list[SheetLine]:
        chosen = self.chosen()
        day, words = chosen.get("day", ""), chosen.get("text", "").casefold().split()
        return [
            line
            for line in lines
            if (not day or line.starts_at is None or day in map(str, days_on_air(line, self.zone)))
            and all(word in line.searched for word in words)
        ]


class PublishForm(forms.Form):
    """For which departments, and with which words. All of them ticked is an edition for everybody."""

    department = forms.MultipleChoiceField(
        label="For whom",
        widget=forms.CheckboxSelectMultiple(),
        error_messages={"required": "Tick at least one department."},
    )
    note = forms.CharField(
        required=False, widget=forms.Textarea({"rows": 2}), help_text="Stands on every sheet of this edition."
    )
    lock = forms.BooleanField(required=False)

    def __init__(self, *args: Any, actor: Actor, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.known = list(actor.event.departments.order_by("code"))
        self.fields["department"].choices = [(row.code, row.name) for row in self.known]

    @property
    def ticked(self) -> list[Department]:
        chosen = self["department"].value() or []
        return [row for row in self.known if row.code in chosen]

    @property
    def parts(self) -> list[Department | None]:
        """What publishing is asked for: each of those ticked, or None for everybody."""
        return [None] if len(self.ticked) == len(self.known) else [*self.ticked]


class HookForm(forms.Form):
    """Where a webhook goes and what it is told."""

    label = forms.CharField(
        max_length=100, label="What is it for?", help_text="Such as: the crew's scheduler."
    )
    address = forms.CharField(
        max_length=500, widget=forms.URLInput(),
        help_text="Begins with https://. Every message goes there as one signed POST.",
    )  # fmt: skip
    topics = forms.MultipleChoiceField(label="Tell it when", widget=forms.CheckboxSelectMultiple())

    def __init__(self, *args: Any, whole_event: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["topics"].choices = [
            (topic.value, topic.label) for topic in Topic if whole_event or topic not in OF_THE_WHOLE_EVENT
        ]

    def clean_address(self) -> str:
        """Judged here as well as by the action, so that every fault of the form shows at once."""
        address = str(self.cleaned_data["address"])
        refusal = reaching.refusal_to_reach(address) if address != self.initial.get("address") else ""
        if refusal:
            raise forms.ValidationError(refusal)
        return address


class NewHookForm(HookForm):
    """A webhook of the whole event, for coordinators, or of a department."""

    department = forms.ModelChoiceField(queryset=Department.objects.none(), label="About")
    field_order = ["label", "address", "department", "topics"]

    def __init__(self, *args: Any, actor: Actor, **kwargs: Any) -> None:
        super().__init__(*args, whole_event=actor.coordinates, **kwargs)
        field = self.fields["department"]
        field.queryset = departments_of(actor)
        field.required = not actor.coordinates
        field.empty_label = "the whole event" if actor.coordinates else None


class DeliveryFilter(forms.Form):
    """Which deliveries show; kept in the address."""

    state = forms.ChoiceField(choices=[("", "all"), *PostState.choices], required=False)


class NoticesForm(forms.Form):
    """What one person wants to be told of an event, and how soon."""

    wanted = forms.MultipleChoiceField(
        label="Tell me when",
        choices=NoticeTopic.choices,
        required=False,
        widget=forms.CheckboxSelectMultiple(),
    )
    pace = forms.ChoiceField(label="How soon", choices=Mailbox.Pace.choices, widget=forms.RadioSelect())
