"""Pages of surveys: sent and read, drawn and held against the plan, laid together for a zone, with what they suggest."""

from typing import Any

import numpy as np
from django.contrib import messages
from django.http import HttpRequest, HttpResponse, StreamingHttpResponse
from django.shortcuts import redirect
from django.utils import timezone

from apps.common.errors import Conflict, Faulty, Missing, Stale, require
from apps.events import queries as events
from apps.events.models import Zone
from apps.events.rules import refusal_to_coordinate
from apps.events.views import EventPage, add_refusal
from apps.planning import surveying
from apps.planning.drawing import Drawing, drawn
from apps.planning.forms import ChangeSurveyForm, SurveyUploadForm, ThresholdForm
from apps.planning.listening import Heard, heard_by_zone
from apps.radio.surveys import OVER_FLOOR_DB, Trace
from apps.spectrum import reading, surveys
from apps.spectrum.models import Survey
from apps.spectrum.queries import surveys_of
from apps.spectrum.rules import refusal_to_see_surveys

SAID = ("zone", "taken_at", "resolution_hz", "antenna", "unit_told", "floor_told_dbm")


class SurveyBase(EventPage):
    here = "planning:surveys"
    refusal = staticmethod(refusal_to_see_surveys)

    def found(self, number: int) -> Survey:
        survey = surveys_of(self.actor).filter(number=number).first()
        if survey is None:
            raise Missing()
        return survey

    def view(self) -> ThresholdForm:
        """What of it is to be drawn, from the address."""
        form = ThresholdForm(self.request.GET)
        form.is_valid()
        return form

    def draw(self, traces: list[tuple[str, str, Trace]], view: ThresholdForm, **more: Any) -> Drawing:
        shown = view.cleaned_data.get("low_hz"), view.cleaned_data.get("high_hz")
        taken = [(row.low_hz, row.high_hz, row.label) for row in self.event.occupied.all()]
        return drawn(traces, ranges=taken, between=shown, **more)


def in_words(trace: Trace) -> str:
    """What a drawing shows, for whoever cannot see it."""
    highest = int(np.nanargmax(trace.level_dbm))
    at = (trace.low_hz + highest * trace.step_hz) / 1e6
    lowest = float(np.nanmin(trace.level_dbm))
    return (
        f"From {trace.low_hz / 1e6:g} to {trace.high_hz / 1e6:g} MHz levels lie between {lowest:.0f} and "
        f"{float(trace.level_dbm[highest]):.0f} dBm, the highest at {at:.10g} MHz."
    )


class Surveys(SurveyBase):
    """The surveys so far, and the door for a new one."""

    template = "planning/surveys.html"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        initial = {"taken_at": timezone.localtime().replace(second=0, microsecond=0)}
        return self.shown(SurveyUploadForm(initial=initial, zones=events.zones_of(self.actor)))

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        require(refusal_to_coordinate(self.actor))
        form = SurveyUploadForm(request.POST, request.FILES, zones=events.zones_of(self.actor))
        whole = form.is_valid()
        if "file" in form.errors or "zone" in form.errors:
            return self.shown(form, status=422)
        kept: list[Survey] = []
        # The file is kept whatever else is wrong; a browser would make its sender choose it again.
        if not self.attempt(lambda: kept.append(self.keep(form)), form):
            return self.shown(form, status=422)
        if not whole:
            faults = [
                f"{form[name].label}: {' '.join(map(str, texts))}" for name, texts in form.errors.items()
            ]
            messages.warning(
                request, "\n".join(["The file is kept. Put right what could not be taken:", *faults])
            )
        return redirect("planning:survey", slug, kept[0].number)

    def keep(self, form: SurveyUploadForm) -> Survey:
        given = form.cleaned_data
        file = given["file"]
        return surveying.keep_survey(
            actor=self.actor, zone=given["zone"], name=file.name, content=file.chunks(),
            taken_at=given.get("taken_at") or timezone.now(), resolution_hz=given.get("resolution_hz"),
            antenna=given.get("antenna", ""), unit=given.get("unit_told", ""), floor_dbm=given.get("floor_told_dbm"),
            which=given.get("which", surveying.AS_PLANNED),
        )  # fmt: skip

    def shown(self, form: SurveyUploadForm, status: int = 200) -> HttpResponse:
        rows = list(surveys_of(self.actor))
        zones = sorted({row.zone for row in rows if row.state == "read"}, key=lambda zone: zone.name)
        return self.render(
            form=form, surveys=rows, zones=zones, refused=refusal_to_coordinate(self.actor), status=status,
            any_zone=events.zones_of(self.actor).exists(),
        )  # fmt: skip


class SurveyPage(SurveyBase):
    """One survey: how it was understood, what stands out, which of ours were on, and what the plan expected."""

    template = "planning/survey.html"

    def get(self, request: HttpRequest, slug: str, number: int) -> HttpResponse:
        survey = self.found(number)
        return self.shown(survey, self.form(survey, initial=self.said(survey)))

    def post(self, request: HttpRequest, slug: str, number: int) -> HttpResponse:
        require(refusal_to_coordinate(self.actor))
        survey = self.found(number)
        if request.POST.get("do") == "remove":
            if self.attempt(lambda: surveys.remove_survey(actor=self.actor, survey=survey)):
                messages.success(request, f"Survey {number} is removed.")
                return redirect("planning:surveys", slug)
            return redirect(request.path)
        form = self.form(survey, data=request.POST)
        if form.is_valid():
            try:
                surveying.change_survey(actor=self.actor, survey=survey, **form.cleaned_data)
                messages.success(request, "Saved.")
                return redirect(request.path)
            except (Conflict, Faulty) as refusal:
                add_refusal(form, refusal)
            except Stale:
                survey = self.found(number)
                typed = request.POST.copy()
                typed["version"] = str(survey.version)
                form = self.form(survey, data=typed)
                form.add_error(
                    None, "Somebody else changed this survey meanwhile. Look at it, then save again."
                )
        return self.shown(self.found(number), form, status=422)

    def form(self, survey: Survey, **kwargs: Any) -> ChangeSurveyForm:
        return ChangeSurveyForm(
            zones=events.zones_of(self.actor), recorded=survey.own_words or "nothing", **kwargs
        )

    def said(self, survey: Survey) -> dict[str, Any]:
        return {name: getattr(survey, name) for name in (*SAID, "counts", "version")}

    def shown(self, survey: Survey, form: ChangeSurveyForm, status: int = 200) -> HttpResponse:
        view = self.view()
        return self.render(
            survey=survey, form=form, view=view, status=status, refused=refusal_to_coordinate(self.actor),
            **self.heard(survey, view),
        )  # fmt: skip

    def heard(self, survey: Survey, view: ThresholdForm) -> dict[str, Any]:
        trace = reading.trace_of(survey) if survey.state == "read" else None
        if trace is None:
            return {}
        heard = Heard.of(survey, trace)
        counted = round(heard.floor_dbm + OVER_FLOOR_DB, 1)
        return {
            "drawing": self.draw(
                [("highest", "the survey", trace)], view,
                thresholds=[("threshold", f"what counts stands over {counted:g} dBm", counted)],
                carriers=[(row["frequency_hz"], row["carrier"]) for row in survey.own],
            ),
            "words": f"Survey {survey.number} at {survey.zone.name}. {in_words(trace)}",
            "peaks": surveying.peaks(self.event, heard),
            "comparison": surveying.compared(self.event, heard),
        }  # fmt: skip


class SurveyProgress(SurveyPage):
    """The moving part of a survey's page; when it is read, the whole page is asked for again."""

    template = "planning/survey_progress.html"

    def get(self, request: HttpRequest, slug: str, number: int) -> HttpResponse:
        survey = self.found(number)
        answer = self.render(survey=survey)
        if not survey.active:
            answer["HX-Refresh"] = "true"
        return answer


class SurveyFile(SurveyBase):
    """The file as it was sent."""

    def get(self, request: HttpRequest, slug: str, number: int) -> StreamingHttpResponse:
        survey = self.found(number)
        answer = StreamingHttpResponse(reading.pieces(survey), content_type="text/plain; charset=utf-8")
        answer["Content-Disposition"] = f'attachment; filename="{slug}-survey-{number}.txt"'
        answer["Content-Length"] = str(survey.size)
        return answer


class ZoneSurveys(SurveyBase):
    """The surveys of a zone that count, laid together: highest-hold, median, and the ranges that they suggest."""

    template = "planning/zone_surveys.html"

    def zone(self, code: str) -> Zone:
        zone = events.zones_of(self.actor).filter(code=code).first()
        if zone is None:
            raise Missing()
        return zone

    def get(self, request: HttpRequest, slug: str, zone: str) -> HttpResponse:
        place = self.zone(zone)
        view = self.view()
        found = surveying.of_zone(heard_by_zone(self.event).get(place.code, []))
        if found is None:
            return self.render(zone=place)
        typed = view.cleaned_data.get("threshold_dbm")
        threshold = surveying.threshold_of(found, typed)
        view = ThresholdForm({**request.GET.dict(), "threshold_dbm": f"{threshold:g}"})
        view.is_valid()
        return self.render(
            zone=place, found=found, view=view, threshold=threshold, refused=refusal_to_coordinate(self.actor),
            suggestions=surveying.suggestions(self.event, found, threshold),
            words=f"Highest-hold and median of {len(found.heard)} surveys. {in_words(found.highest)}",
            drawing=self.draw(
                [("highest", "highest-hold", found.highest), ("median", "median", found.median)], view,
                thresholds=[("threshold", f"suggested over {threshold:g} dBm", threshold)],
            ),
        )  # fmt: skip

    def post(self, request: HttpRequest, slug: str, zone: str) -> HttpResponse:
        require(refusal_to_coordinate(self.actor))
        place = self.zone(zone)
        keys = request.POST.getlist("range")
        threshold = ThresholdForm({"threshold_dbm": request.POST.get("threshold", "")})
        level = threshold.cleaned_data.get("threshold_dbm") if threshold.is_valid() else None
        if self.attempt(
            lambda: surveying.accept(actor=self.actor, zone=place, keys=keys, threshold_dbm=level or 0.0)
        ):
            count = len(keys)
            messages.success(
                request, f"{count} range{'s' if count != 1 else ''} kept free of ours from the next run on."
            )
        return redirect(request.get_full_path())
