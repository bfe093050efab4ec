"""The event page and the journal."""

from django.http import HttpRequest, HttpResponse

from apps.events.views import EventPage


class EventOverview(EventPage):
    """Where do we stand, and what needs me next."""

    template = "overview/event.html"
    here = "overview:event"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        return self.render()


class Journal(EventPage):
    """Who did what, when and why."""

    template = "overview/journal.html"
    here = "overview:journal"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        return self.render()
