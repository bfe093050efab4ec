"""The page on which zones come from a map and go to one (GeoJSON)."""

from collections import Counter
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from apps.common.errors import Conflict, Faulty, Missing
from apps.events import actions, maps, queries
from apps.events.forms import MapForm
from apps.events.setting_up import SetUpPage
from apps.events.views import EventPage


class Map(SetUpPage):
    """Judge a map, show what it would change, then save it as a whole. Its text stays on the page until then."""

    part = "events:map"
    template = "events/map.html"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        return self.shown(MapForm())

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        form = MapForm(request.POST, request.FILES)
        if not form.is_valid():
            return self.shown(form, status=422)
        text = form.cleaned_data["text"]
        if "save" in request.POST and self.attempt(lambda: self.take(text, request.POST.get("seen", ""))):
            return redirect("events:zones", slug)
        return self.judged(text)

    def take(self, text: str, seen: str) -> None:
        counts = Counter(
            placed.status for placed in actions.place_zones(actor=self.actor, content=text, seen=seen)
        )
        new, changed = counts[maps.Status.NEW], counts[maps.Status.CHANGED]
        messages.success(self.request, f"Saved: {new} new and {changed} changed zones.")

    def judged(self, text: str) -> HttpResponse:
        form = MapForm(initial={"text": text})
        try:
            read = maps.read_map(text, self.event, queries.zones_of(self.actor))
        except Faulty as refusal:
            return self.shown(form, refused=[fault.message for fault in refusal.faults], status=422)
        except Conflict as refusal:
            return self.shown(form, refused=[str(refusal)], status=422)
        faulty = sum(placed.status == maps.Status.FAULTY for placed in read)
        return self.shown(
            form, read=[(placed, _in_words(placed)) for placed in read], faulty=faulty, text=text,
            something=sum(bool(placed.changes) for placed in read), seen=maps.fingerprint(read),
        )  # fmt: skip

    def shown(self, form: MapForm, status: int = 200, **more: Any) -> HttpResponse:
        placed = self.event.latitude_deg is not None and self.event.longitude_deg is not None
        return self.render(
            form=form,
            placed=placed,
            properties=maps.PROPERTIES[1:],
            zones=queries.zones_of(self.actor).count(),
            status=status,
            **more,
        )


def _in_words(placed: maps.Placed) -> list[tuple[str, str, str]]:
    """(field, old, new) of what a feature would change, as people read it."""

    def plain(value: Any) -> str:
        if isinstance(value, list):
            return (
                f"{len(value[0])} corners" + (f", {len(value) - 1} holes" if len(value) > 1 else "")
                if value
                else "–"
            )
        if isinstance(value, bool):
            return "yes" if value else "no"
        return "–" if value in (None, "") else f"{value:.2f}" if isinstance(value, float) else str(value)

    changes = placed.changes.items()
    return [
        (name.removesuffix("_m").replace("_", " "), plain(old), plain(new)) for name, (old, new) in changes
    ]


class MapFile(EventPage):
    """The zones as GeoJSON, for whoever may see them."""

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        try:
            content = maps.write_map(self.event, queries.zones_of(self.actor))
        except Conflict:
            raise Missing() from None
        answer = HttpResponse(content, content_type=maps.MEDIA_TYPE)
        answer["Content-Disposition"] = f'attachment; filename="{self.event.slug}-zones.geojson"'
        return answer
