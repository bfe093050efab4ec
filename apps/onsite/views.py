"""Pages of reports: file one beside the device, read what came of it, answer."""

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from apps.common.choice import whole_number
from apps.common.errors import Missing, require
from apps.events import queries as events
from apps.events.rules import refusal_to_coordinate
from apps.events.views import EventPage
from apps.onsite import actions, queries
from apps.onsite.forms import AnswerForm, ReportFilter, ReportForm
from apps.onsite.models import Report
from apps.onsite.rules import refusal_to_file
from apps.planning.states import AssignmentState


class Reports(EventPage):
    """What was reported, and a new report; `?carrier=` fills in the device, as its sheet's link does.

    The form stands first for whoever came to write; where there is something to read, that does.
    """

    template = "onsite/reports.html"
    here = "onsite:reports"
    rows_a_page = 50

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        initial = {"trouble": "interference", "carrier": request.GET.get("carrier", "")[:20]}
        return self.shown(self.form(initial=initial))

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        require(refusal_to_file(self.actor))
        form = self.form(request.POST)
        filed: list[Report] = []
        if form.is_valid() and self.attempt(
            lambda: filed.append(actions.file_report(actor=self.actor, **form.cleaned_data)), form
        ):
            messages.success(
                request, f"Report {filed[0].number} is with the coordinators. The answer will stand here."
            )
            return redirect("onsite:report", slug, filed[0].number)
        return self.shown(form, status=422)

    def form(self, *args: object, **kwargs: object) -> ReportForm:
        return ReportForm(*args, actor=self.actor, zones=events.zones_of(self.actor), **kwargs)

    def shown(self, form: ReportForm, status: int = 200) -> HttpResponse:
        wanted = ReportFilter(self.request.GET)
        state = wanted.cleaned_data["state"] if wanted.is_valid() else ""
        rows = queries.reports_of(self.actor)
        page = Paginator(rows.filter(state=state) if state else rows, self.rows_a_page).get_page(
            whole_number(self.request.GET.get("page", "")) or 1
        )
        return self.render(
            form=form, filter=ReportFilter({"state": state}), page=page, state=state,
            may=not refusal_to_file(self.actor), status=status,
            writing=form.is_bound or bool(form.initial["carrier"]) or not (page.object_list or state),
        )  # fmt: skip


class ReportPage(EventPage):
    """One report: who is on it, and its answer."""

    template = "onsite/report.html"
    here = "onsite:reports"

    def found(self) -> Report:
        report = queries.reports_of(self.actor).filter(number=self.kwargs["number"]).first()
        if report is None:
            raise Missing()
        return report

    def get(self, request: HttpRequest, slug: str, number: int) -> HttpResponse:
        return self.shown(AnswerForm())

    def post(self, request: HttpRequest, slug: str, number: int) -> HttpResponse:
        report = self.found()
        require(refusal_to_coordinate(self.actor))
        version = whole_number(request.POST.get("version", ""))
        if request.POST.get("do") == "take":
            if self.attempt(lambda: actions.take_report(actor=self.actor, report=report, version=version)):
                messages.success(request, "You are on it; whoever told it sees your name.")
            return redirect(request.path)
        form = AnswerForm(request.POST)
        if form.is_valid() and self.attempt(
            lambda: actions.answer_report(
                actor=self.actor, report=report, version=version, **form.cleaned_data
            ),
            form,
        ):
            messages.success(request, f"Report {number} is answered.")
            return redirect("onsite:reports", slug)
        return self.shown(form, status=422)

    def shown(self, form: AnswerForm, status: int = 200) -> HttpResponse:
        report = self.found()
        placed = getattr(report.carrier, "assignment", None)
        locked = placed is not None and placed.state == AssignmentState.LOCKED
        return self.render(report=report, form=form, placed=placed, locked=locked, status=status)
