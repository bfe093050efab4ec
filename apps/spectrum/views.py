"""Setting up an event with its ruleset, and what else is on the air at its site."""

from collections.abc import Mapping
from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth.mixins import LoginRequiredMixin
from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views import View

from apps.common.choice import Choice
from apps.common.errors import Faulty
from apps.events import actions as events
from apps.events import queries
from apps.events.forms import ChangeEventForm, NewEventForm
from apps.events.models import Event
from apps.events.setting_up import Adding, Changing, SetUpPage
from apps.events.views import EventPage, add_refusal
from apps.radio.rasters import RASTERS
from apps.spectrum import actions
from apps.spectrum.forms import ChannelsForm, OccupiedForm, OutsiderForm, PlannedRangeForm
from apps.spectrum.models import Occupied, Outsider, PlannedRange
from apps.spectrum.queries import band_plan_of, channels_of
from apps.spectrum.rulesets import keys, ruleset


def choices() -> list[tuple[str, str]]:
    return [(key, f"{ruleset(key).name}, {ruleset(key).edition}") for key in keys()]


class NewEvent(LoginRequiredMixin, View):
    """Creating an event; whoever creates it coordinates it."""

    template = "spectrum/new_event.html"

    def get(self, request: HttpRequest) -> HttpResponse:
        self._may()
        return render(request, self.template, {"form": NewEventForm(rulesets=choices())})

    def post(self, request: HttpRequest) -> HttpResponse:
        self._may()
        assert request.user.is_authenticated
        form = NewEventForm(request.POST, rulesets=choices())
        if form.is_valid():
            values = dict(form.cleaned_data)
            values["timezone_name"] = values.pop("timezone")
            try:
                actor = events.create_event(person=request.user, **values)
            except Faulty as refusal:
                add_refusal(form, refusal)
            else:
                messages.success(request, "The event is there. Name its zones next.")
                return redirect("events:zones", actor.event.slug)
        return render(request, self.template, {"form": form})

    def _may(self) -> None:
        assert self.request.user.is_authenticated
        refusal = queries.refusal_to_create_events(self.request.user)
        if refusal:
            raise PermissionDenied(refusal)


class ChangeEvent(Changing):
    """The event's own fields, its ruleset with its source, and its cautions."""

    template = "spectrum/event.html"
    part = list_page = "spectrum:event"
    title = "The event"
    key = "slug"
    form_class = ChangeEventForm

    def rows(self) -> QuerySet[Event]:
        return Event.objects.filter(pk=self.event.pk)

    def knows(self) -> dict[str, Any]:
        return {"rulesets": choices()}

    def change(self, row: Event, version: int, values: dict[str, Any]) -> Any:
        return events.change_event(actor=self.actor, event=row, version=version, **values)

    def more(self, row: Event) -> dict[str, Any]:
        return {"law": ruleset(row.ruleset)}


class Rules(EventPage):
    """What the event's ruleset opens and closes, row by row with its source, for everybody who is part of the event."""

    template = "spectrum/rules.html"
    here = "overview:event"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        return self.render(law=ruleset(self.event.ruleset))


class Surroundings(SetUpPage):
    """Ranges that others use here, and single transmissions that nobody here registers."""

    template = "spectrum/surroundings.html"
    part = "spectrum:surroundings"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        return self._show()

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        if "occupied" in request.POST:
            range_form = OccupiedForm(
                request.POST, prefix="occupied", event=self.event, zones=queries.zones_of(self.actor)
            )
            if range_form.is_valid() and self.attempt(
                lambda: actions.mark_occupied(actor=self.actor, **range_form.cleaned_data), range_form
            ):
                messages.success(request, "The range is kept free of ours from the next run on.")
                return redirect(request.path)
            return self._show(occupied=range_form)
        outsider = OutsiderForm(
            request.POST, prefix="outsider", event=self.event, zones=queries.zones_of(self.actor)
        )
        if outsider.is_valid() and self.attempt(
            lambda: actions.add_outsider(actor=self.actor, **outsider.cleaned_data), outsider
        ):
            messages.success(request, "Entered; the next run keeps clear of it.")
            return redirect(request.path)
        return self._show(outsider=outsider)

    def _show(self, occupied: forms.Form | None = None, outsider: forms.Form | None = None) -> HttpResponse:
        zones = queries.zones_of(self.actor)
        return self.render(
            ranges=self.event.occupied.order_by("low_hz", "pk"),
            outsiders=self.event.outsiders.select_related("zone").order_by("frequency_hz", "pk"),
            occupied_form=occupied or OccupiedForm(prefix="occupied", event=self.event, zones=zones),
            outsider_form=outsider or OutsiderForm(prefix="outsider", event=self.event, zones=zones),
            has_zones=zones.exists(),
        )


class BandPlan(Adding):
    """Ranges offered to some, kept from some, or kept empty for late arrivals."""

    template = "spectrum/band_plan.html"
    part = "spectrum:band-plan"
    added = "In the band plan; the next run obeys."

    def listing(self) -> dict[str, Any]:
        return {"rows": band_plan_of(self.actor)}

    def form(self, data: Mapping[str, Any] | None = None) -> forms.Form:
        return PlannedRangeForm(data, event=self.event)

    def add(self, values: dict[str, Any]) -> Any:
        return actions.plan_range(actor=self.actor, **values)


class ChangePlannedRange(Changing):
    template = "spectrum/planned_range.html"
    part = list_page = "spectrum:band-plan"
    title = "Change a range of the band plan"
    form_class = PlannedRangeForm

    def rows(self) -> QuerySet[PlannedRange]:
        return band_plan_of(self.actor)

    def knows(self) -> dict[str, Any]:
        return {"event": self.event}

    def change(self, row: PlannedRange, version: int, values: dict[str, Any]) -> Any:
        return actions.change_planned_range(actor=self.actor, row=row, version=version, **values)

    def remove(self, row: PlannedRange) -> str:
        actions.drop_planned_range(actor=self.actor, row=row)
        return f"{row.label} is out of the band plan."


class ChangeOccupied(Changing):
    """A range that others use: change it, or free it."""

    template = "spectrum/occupied.html"
    part = list_page = "spectrum:surroundings"
    title = "Change a range taken by others"
    form_class = OccupiedForm

    def rows(self) -> QuerySet[Occupied]:
        return self.event.occupied.all()

    def knows(self) -> dict[str, Any]:
        return {"event": self.event, "zones": queries.zones_of(self.actor)}

    def change(self, row: Occupied, version: int, values: dict[str, Any]) -> Any:
        return actions.change_occupied(actor=self.actor, occupied=row, version=version, **values)

    def remove(self, row: Occupied) -> str:
        actions.free_occupied(actor=self.actor, occupied=row)
        return f"{row.label} is free again."


class ChangeOutsider(Changing):
    template = "spectrum/outsider.html"
    part = list_page = "spectrum:surroundings"
    title = "Change an outside transmission"
    form_class = OutsiderForm

    def rows(self) -> QuerySet[Outsider]:
        return self.event.outsiders.select_related("zone")

    def knows(self) -> dict[str, Any]:
        return {"event": self.event, "zones": queries.zones_of(self.actor)}

    def change(self, row: Outsider, version: int, values: dict[str, Any]) -> Any:
        return actions.change_outsider(actor=self.actor, outsider=row, version=version, **values)

    def remove(self, row: Outsider) -> str:
        actions.remove_outsider(actor=self.actor, outsider=row)
        return f"{row.label} is removed."


class Television(SetUpPage):
    """The television channels of the region: occupied or free here, how we know, as of when."""

    template = "spectrum/television.html"
    part = "spectrum:television"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        return self._show(ChannelsForm(initial={"known_on": timezone.localdate()}))

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        form = ChannelsForm(request.POST)
        ticked = request.POST.getlist("channel")
        if form.is_valid() and self.attempt(lambda: self._mark(ticked, form.cleaned_data), form):
            count = len(ticked)
            messages.success(
                request, f"{count} channel{'s' if count != 1 else ''} marked {form.cleaned_data['state']}."
            )
            return redirect(request.path)
        return self._show(form, frozenset(ticked), status=422)

    def _mark(self, ticked: list[str], values: dict[str, Any]) -> None:
        actions.mark_channels(actor=self.actor, choice=Choice.read(ticked), **values)

    def _show(
        self, form: ChannelsForm, ticked: frozenset[str] = frozenset(), status: int = 200
    ) -> HttpResponse:
        rows = channels_of(self.event)
        ticked_keys = {item.rpartition(":")[0] for item in ticked}
        return self.render(
            form=form, status=status, law=ruleset(self.event.ruleset),
            rasters=[
                (RASTERS[key], [(row, row.key in ticked_keys) for row in rows if row.raster == key])
                for key in ruleset(self.event.ruleset).television_rasters
            ],
        )  # fmt: skip
