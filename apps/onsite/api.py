"""Reports of trouble for machines: list, file, read, take on, answer."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.reverse import reverse

from apps.common.errors import Fault, Faulty, Missing
from apps.common.paging import page_of
from apps.common.serializers import PageFilter, Strict
from apps.events.api import EventView, with_etag
from apps.events.queries import zones_of
from apps.events.repeats import may_be_repeated
from apps.onsite import actions
from apps.onsite.models import Report
from apps.onsite.queries import carrier_named, reports_of
from apps.onsite.states import ReportState, Trouble


class ReportSerializer(Strict):
    """A report of trouble. `carrier` and `zone` are codes; one of them, or a frequency, must be named."""

    number = serializers.IntegerField(read_only=True)
    trouble = serializers.ChoiceField(choices=Trouble.choices)
    carrier = serializers.CharField(
        source="carrier.code", required=False, allow_null=True, default=None, max_length=20
    )
    zone = serializers.CharField(
        source="zone.code", required=False, allow_null=True, default=None, max_length=32
    )
    frequency_hz = serializers.IntegerField(
        required=False, allow_null=True, default=None, min_value=1, max_value=3 * 10**11
    )
    words = serializers.CharField(max_length=1000)
    department = serializers.CharField(
        source="department.code", read_only=True, allow_null=True, default=None
    )
    state = serializers.ChoiceField(choices=ReportState.choices, read_only=True)
    filed_by = serializers.CharField(source="filed_name", read_only=True)
    filed_at = serializers.DateTimeField(read_only=True)
    taken_by = serializers.CharField(
        source="taken_name", read_only=True, help_text="the coordinator who is on it; empty: nobody yet"
    )
    taken_at = serializers.DateTimeField(read_only=True, allow_null=True)
    answer = serializers.CharField(read_only=True)
    answered_at = serializers.DateTimeField(read_only=True, allow_null=True)
    version = serializers.IntegerField(read_only=True)


class AnswerSerializer(Strict):
    answer = serializers.CharField(max_length=1000)


class ReportFilter(PageFilter):
    state = serializers.ChoiceField(choices=ReportState.choices, required=False)


class ReportList(EventView):
    """The reports that one may see, newest first; and the door for a new one."""

    @extend_schema(
        operation_id="reports_list", parameters=[ReportFilter], responses=page_of(ReportSerializer)
    )
    def get(self, request: Request, slug: str) -> Response:
        rows = reports_of(self.actor).filter(**self.filters(ReportFilter))
        return self.page(rows, "-number", lambda page: ReportSerializer(page, many=True).data)

    @extend_schema(operation_id="reports_file", request=ReportSerializer, responses={201: ReportSerializer})
    @may_be_repeated
    def post(self, request: Request, slug: str) -> Response:
        given = self.given(ReportSerializer)
        codes = {name: (given.pop(name, None) or {}).get("code") for name in ("carrier", "zone")}
        found: dict[str, Any] = {
            "carrier": carrier_named(self.actor, codes["carrier"]) if codes["carrier"] else None,
            "zone": zones_of(self.actor).filter(code=codes["zone"]).first() if codes["zone"] else None,
        }
        faults = [
            Fault(0, name, code, f"There is no {name} of that code that you may see.")
            for name, code in codes.items()
            if code and found[name] is None
        ]
        if faults:
            raise Faulty(faults)
        report = actions.file_report(actor=self.actor, **given, **found)
        where = reverse("api:report", args=[slug, report.number], request=request)
        shown = Response(ReportSerializer(report).data, status=201, headers={"Location": where})
        return with_etag(shown, report.version)


class ReportView(EventView):
    def found(self) -> Report:
        report = reports_of(self.actor).filter(number=self.kwargs["number"]).first()
        if report is None:
            raise Missing()
        return report

    def shown(self, report: Report) -> Response:
        return with_etag(Response(ReportSerializer(report).data), report.version)


class ReportDetail(ReportView):
    """One report."""

    @extend_schema(operation_id="reports_read", responses=ReportSerializer)
    def get(self, request: Request, slug: str, number: int) -> Response:
        return self.shown(self.found())


class ReportTake(ReportView):
    """Say that you are on it; for coordinators. Another one's report is taken over."""

    @extend_schema(operation_id="reports_take", request=None, responses=ReportSerializer)
    @may_be_repeated
    def post(self, request: Request, slug: str, number: int) -> Response:
        report = self.found()
        version = self.version_in_hand(report.version, f"Report {number}")
        return self.shown(actions.take_report(actor=self.actor, report=report, version=version))


class ReportAnswer(ReportView):
    """Answer a report, which closes it; for coordinators."""

    @extend_schema(operation_id="reports_answer", request=AnswerSerializer, responses=ReportSerializer)
    @may_be_repeated
    def post(self, request: Request, slug: str, number: int) -> Response:
        report = self.found()
        version = self.version_in_hand(report.version, f"Report {number}")
        given = self.given(AnswerSerializer)
        return self.shown(actions.answer_report(actor=self.actor, report=report, version=version, **given))
