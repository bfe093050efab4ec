"""Pages of calendars: hours on the air that come in as iCalendar, and addresses under which they go out."""

from collections import Counter
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.cache import patch_cache_control
from django.views import View

from apps.common.errors import Conflict, Faulty, Missing
from apps.events.queries import departments_of, zones_of
from apps.events.views import EventPage
from apps.registry import actions, queries, uploads
from apps.registry.calendars import (
    MEDIA_TYPE,
    Fate,
    Occurrence,
    Schedule,
    likely_rule,
    properties_of,
    read_calendar,
    schedule,
    write_calendar,
)
from apps.registry.forms import CalendarForm, FeedForm, RuleForm
from apps.registry.judging import Judgement, Status, fingerprint, judge
from apps.registry.lines import Hours, hours_in_words
from apps.registry.models import Feed, Registration, Upload
from apps.registry.rules import refusal_to_register
from apps.registry.views import SHOWN_ROWS

CALENDAR = f"{MEDIA_TYPE}; charset=utf-8"


class CalendarsPage(EventPage):
    """Base of the pages of calendars."""

    here = "registry:import"
    refusal = staticmethod(refusal_to_register)

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.event.timezone)


class Calendars(CalendarsPage):
    """Send a calendar, or hand one out."""

    template = "registry/calendars.html"

    def get(self, request: HttpRequest, slug: str) -> HttpResponse:
        return self.shown(CalendarForm(actor=self.actor), FeedForm(actor=self.actor))

    def post(self, request: HttpRequest, slug: str) -> HttpResponse:
        if "offer" in request.POST:
            return self.offer(request)
        form = CalendarForm(request.POST, request.FILES, actor=self.actor)
        kept: list[Upload] = []
        if form.is_valid() and self.attempt(lambda: kept.append(self.keep(form)), form):
            return redirect("registry:calendar", slug, kept[0].pk)
        return self.shown(form, FeedForm(actor=self.actor), status=422)

    def keep(self, form: CalendarForm) -> Upload:
        file, code = form.cleaned_data["file"], form.cleaned_data.get("department")
        department = departments_of(self.actor).filter(code=code).first() if code else None
        return uploads.keep_upload(
            actor=self.actor,
            name=file.name,
            content=file.read(),
            department=department,
            sort=Upload.Sort.CALENDAR,
        )

    def offer(self, request: HttpRequest) -> HttpResponse:
        form = FeedForm(request.POST, actor=self.actor)
        if form.is_valid() and self.attempt(lambda: self._offered(form.cleaned_data), form):
            messages.success(request, "The address is made; copy it into a calendar program.")
            return redirect(request.path)
        return self.shown(CalendarForm(actor=self.actor), form, status=422)

    def _offered(self, values: dict[str, str]) -> Feed:
        department = departments_of(self.actor).filter(code=values["department"]).first()
        zone = zones_of(self.actor).filter(code=values["zone"]).first()
        return actions.offer_feed(actor=self.actor, department=department, zone=zone)

    def shown(self, form: CalendarForm, feed_form: FeedForm, status: int = 200) -> HttpResponse:
        sent = queries.uploads_of(self.actor, Upload.Sort.CALENDAR).defer("content")[:20]
        return self.render(
            form=form, feed_form=feed_form, uploads=sent, status=status,
            feeds=[(feed, self.address(feed)) for feed in queries.feeds_of(self.actor)],
            may_offer=self.may_offer(feed_form),
        )  # fmt: skip

    def may_offer(self, form: FeedForm) -> bool:
        field: Any = form.fields["department"]
        return bool(field.choices)

    def address(self, feed: Feed) -> str:
        path = reverse("feed", args=[feed.key])
        return (
            f"{settings.PUBLIC_ADDRESS}{path}"
            if settings.PUBLIC_ADDRESS
            else self.request.build_absolute_uri(path)
        )


class RevokeFeed(CalendarsPage):
    """End a calendar's address."""

    def post(self, request: HttpRequest, slug: str, pk: int) -> HttpResponse:
        feed = queries.feeds_of(self.actor).filter(pk=pk).first()
        if feed is None:
            raise Missing()
        if self.attempt(lambda: actions.revoke_feed(actor=self.actor, feed=feed)):
            messages.success(
                request, f"The calendar of {feed} is revoked; whoever subscribed gets nothing any more."
            )
        return redirect("registry:calendars", slug)


class CalendarPage(CalendarsPage):
    """One calendar under a rule: every entry judged, every line that would change; saved as a whole."""

    template = "registry/calendar.html"

    def found(self, pk: int) -> Upload:
        upload = queries.uploads_of(self.actor, Upload.Sort.CALENDAR).filter(pk=pk).first()
        if upload is None:
            raise Missing()
        return upload

    def get(self, request: HttpRequest, slug: str, pk: int) -> HttpResponse:
        upload = self.found(pk)
        if upload.saved_at:
            return self.render(upload=upload)
        try:
            occurrences = read_calendar(uploads.content_of(upload), self.event)
        except Faulty as refusal:
            return self.render(upload=upload, refused=refusal, faults=refusal.faults)
        return self.judged(upload, occurrences)

    def post(self, request: HttpRequest, slug: str, pk: int) -> HttpResponse:
        upload = self.found(pk)
        saved: list[dict[str, int]] = []

        def save() -> None:
            lines = list(queries.lines_with_hours(self.actor, upload.department))
            occurrences = read_calendar(uploads.content_of(upload), self.event)
            form = rule_form(request.POST, occurrences, lines)
            rule = form.rule()
            if rule is None:
                raise Conflict("The rule cannot be read; choose it again.")
            result = schedule(occurrences, rule, lines)
            if result.faults:
                raise Faulty(result.faults)
            saved.append(
                uploads.save_upload(
                    actor=self.actor,
                    upload=upload,
                    rows=result.rows(),
                    seen=request.POST.get("seen", ""),
                    rule=rule.as_dict(),
                )
            )

        if self.attempt(save):
            count = saved[0]["changed"]
            messages.success(request, f"Saved: new hours for {count} line{'s' if count != 1 else ''}.")
            return redirect("planning:devices", slug)
        return redirect(request.path)

    def judged(self, upload: Upload, occurrences: list[Occurrence]) -> HttpResponse:
        lines = list(queries.lines_with_hours(self.actor, upload.department))
        form = rule_form(self.request.GET, occurrences, lines)
        rule = form.rule()
        if rule is None:
            return self.render(upload=upload, form=form, entries=len(occurrences), status=422)
        result = schedule(occurrences, rule, lines)
        judgements = judge(self.actor, result.rows())
        counts = Counter(verdict.fate for verdict in result.verdicts)
        shown = [
            fate
            for fate in (Fate.FAULTY, Fate.TAKEN, Fate.CANCELLED, Fate.UNMATCHED, Fate.OUTSIDE)
            if counts[fate]
        ]
        wanted = self.request.GET.get("show", "")
        show = wanted if wanted in shown else next(iter(shown), "")
        verdicts = [verdict for verdict in result.verdicts if verdict.fate == show]
        page = Paginator(verdicts, SHOWN_ROWS).get_page(self.request.GET.get("page"))
        return self.render(
            upload=upload, form=form, rule=rule, entries=len(occurrences), result=result, page=page, show=show,
            counts=[(fate.value, counts[fate]) for fate in shown], changes=self.changes(result, judgements),
            barred=sum(judged.status == Status.FAULTY for judged in judgements), seen=fingerprint(judgements),
            rows=[(verdict, self.words(verdict.occurrence)) for verdict in page],
        )  # fmt: skip

    def words(self, occurrence: Occurrence) -> str:
        return (
            hours_in_words([occurrence.hours], self.zone) if occurrence.hours else "hours that cannot be read"
        )

    def changes(
        self, result: Schedule, judgements: list[Judgement]
    ) -> list[tuple[Registration, str, str, Judgement]]:
        """(line, hours now, hours then, judgement) of every line that would change."""

        def words(hours: Hours) -> str:
            return hours_in_words(hours, self.zone)

        return [
            (line, words(line.hours), words(hours), judged)
            for (line, hours), judged in zip(result.hours, judgements, strict=True)
        ]


def rule_form(data: Any, occurrences: list[Occurrence], lines: list[Registration]) -> RuleForm:
    return RuleForm(data, properties=properties_of(occurrences), likely=likely_rule(occurrences, lines))


class CalendarFile(CalendarPage):
    """The calendar as it came."""

    def get(self, request: HttpRequest, slug: str, pk: int) -> HttpResponse:
        upload = self.found(pk)
        answer = HttpResponse(uploads.content_of(upload), content_type=CALENDAR)
        answer["Content-Disposition"] = f'attachment; filename="calendar-{pk}.ics"'
        return answer


class FeedFile(View):
    """What a calendar program gets at a secret address, without logging in: hours, places and labels, no frequencies."""

    def get(self, request: HttpRequest, key: str) -> HttpResponse:
        try:
            feed, lines = queries.feed_lines(key)
        except Missing:
            return HttpResponse(
                "There is no calendar at this address.", status=404, content_type="text/plain"
            )
        content = write_calendar(f"{feed.event.name}: {feed}", feed.event, lines)
        answer = HttpResponse(content, content_type=CALENDAR)
        answer["Content-Disposition"] = 'inline; filename="hours.ics"'
        patch_cache_control(answer, no_store=True, private=True)
        return answer
