"""The event page and the journal."""

from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse

from apps.events import queries as events
from apps.events.models import Role
from apps.events.views import EventPage
from apps.journal.models import Entry
from apps.overview import queries
from apps.overview.forms import JournalFilter
from apps.overview.reading import told
from apps.overview.standing import Standing
from apps.planning.views import CountedPage
from apps.registry.queries import unfinished_of
from apps.registry.rules import refusal_to_register


class EventOverview(CountedPage):
    """Where do we stand, and what needs me next."""

    template = "overview/event.html"
    here = "overview:event"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        standing = Standing(self.actor, self.judged)
        waiting = standing.tasks()
        return self.render(
            standing=standing,
            tasks=[task for task in waiting if not task.news],
            news=[task for task in waiting if task.news],
            lines=standing.line_figures(),
            frequencies=standing.frequency_figures(),
            rows=standing.rows(),
            unfinished=unfinished_of(self.actor),
            may_register=self.actor.role == Role.LEAD
            and standing.total.registered
            and not refusal_to_register(self.actor),
        )


class Journal(EventPage):
    """Who did what, when and why; to whoever sees only some departments, what concerns those."""

    template = "overview/journal.html"
    here = "overview:journal"
    page_size = 50

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        entries = queries.journal_of(self.actor)
        form = JournalFilter(
            request.GET,
            who=list(dict(entries.order_by().values_list("actor_email", "actor_name").distinct()).items()),
            verbs=sorted(entries.order_by().values_list("verb", flat=True).distinct()),
            departments=[(row.code, row.name) for row in events.departments_of(self.actor)],
        )
        if form.is_valid():
            entries = self._filtered(entries, form.cleaned_data)
        page = Paginator(entries, self.page_size).get_page(request.GET.get("page"))
        return self.render(
            form=form,
            page=page,
            told=[told(entry) for entry in page],
            filtered=any(form.cleaned_data.values()),
        )

    @staticmethod
    def _filtered(entries: QuerySet[Entry], wanted: dict[str, str]) -> QuerySet[Entry]:
        if wanted["who"]:
            entries = entries.filter(actor_email=wanted["who"])
        if wanted["verb"]:
            entries = entries.filter(verb=wanted["verb"])
        if wanted["department"]:
            entries = entries.filter(department=wanted["department"])
        if wanted["subject"]:
            entries = entries.filter(subject__icontains=wanted["subject"])
        return entries
