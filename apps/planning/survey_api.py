"""Surveys for machines: sent, read, held against the plan; and what those of a zone suggest."""

from typing import Any

from django.conf import settings
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.parsers import JSONParser, MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.reverse import reverse

from apps.common.errors import Fault, Faulty, Missing
from apps.common.paging import page_of
from apps.common.serializers import FiniteField, PageFilter, Strict
from apps.events import queries as events
from apps.events.api import EventView, with_etag
from apps.events.models import Zone
from apps.events.repeats import may_be_repeated
from apps.planning import surveying
from apps.planning.listening import Heard, heard_by_zone
from apps.spectrum import reading, surveys
from apps.spectrum.models import Survey
from apps.spectrum.queries import surveys_of
from apps.spectrum.states import SurveyState


class SurveySerializer(serializers.ModelSerializer[Survey]):
    id = serializers.IntegerField(source="number", read_only=True, help_text="counted within the event")
    zone = serializers.CharField(source="zone.code")
    state = serializers.CharField(help_text="waiting, reading, read or faulty")
    floor_dbm = serializers.FloatField(help_text="the instrument's own, as told, else as found")

    class Meta:
        model = Survey
        fields = [
            "id", "zone", "name", "taken_at", "antenna", "resolution_hz", "counts", "own", "own_words", "size", "uploaded_by",
            "uploaded_at", "state", "attempt", "claimed_by", "share", "points", "low_hz", "high_hz", "step_hz", "unit",
            "unit_from", "separator", "floor_dbm", "faults", "fault_count", "version",
        ]  # fmt: skip


UNIT = "Hz, kHz, MHz or GHz; empty: recognise it"
WHICH = "carriers of the event that were on during it: plan (by the plan agreed by now) or none"


class SurveySentSerializer(Strict):
    file = serializers.FileField(help_text="two columns of text: frequency and level in dBm")
    zone = serializers.CharField(help_text="the zone's code")
    taken_at = serializers.DateTimeField()
    resolution_hz = serializers.IntegerField(min_value=1)
    antenna = serializers.CharField(max_length=200, required=False, allow_blank=True, default="")
    unit = serializers.RegexField(
        "^([kMG]?Hz)?$", required=False, allow_blank=True, default="", help_text=UNIT
    )
    floor_dbm = FiniteField(required=False, allow_null=True, default=None, min_value=-250, max_value=60)
    own_on = serializers.RegexField("^(plan|none)$", required=False, default="plan", help_text=WHICH)


class SurveySaidSerializer(Strict):
    counts = serializers.BooleanField(required=False)
    antenna = serializers.CharField(max_length=200, required=False, allow_blank=True)
    taken_at = serializers.DateTimeField(required=False)
    resolution_hz = serializers.IntegerField(required=False, allow_null=True, min_value=1)
    floor_dbm = FiniteField(
        required=False, allow_null=True, source="floor_told_dbm", min_value=-250, max_value=60
    )
    unit = serializers.RegexField(
        "^([kMG]?Hz)?$", required=False, allow_blank=True, source="unit_told", help_text=UNIT
    )
    own_on = serializers.RegexField("^(plan|none)$", required=False, source="which", help_text=WHICH)


class ExpectedSerializer(serializers.Serializer[Any]):
    carrier = serializers.CharField(source="code")
    zone = serializers.CharField()
    frequency_hz = serializers.IntegerField()
    outsider = serializers.BooleanField()
    peak_dbm = serializers.FloatField(allow_null=True)
    state = serializers.CharField(help_text="seen, missing or outside the survey")


class StretchSerializer(serializers.Serializer[Any]):
    low_hz = serializers.IntegerField(source="stretch.low_hz")
    high_hz = serializers.IntegerField(source="stretch.high_hz")
    peak_hz = serializers.IntegerField(source="stretch.peak_hz")
    peak_dbm = serializers.FloatField(source="stretch.peak_dbm")
    near = serializers.ListField(
        child=serializers.CharField(), help_text="planned there, but not on at that time"
    )


class ComparisonSerializer(serializers.Serializer[Any]):
    expected = ExpectedSerializer(many=True)
    unexplained = StretchSerializer(many=True)
    unexplained_count = serializers.IntegerField(help_text="of which the loudest are told")


class SuggestionSerializer(serializers.Serializer[Any]):
    range = serializers.CharField(source="key", help_text="names it when it is accepted")
    low_hz = serializers.IntegerField()
    high_hz = serializers.IntegerField()
    peak_hz = serializers.IntegerField()
    peak_dbm = serializers.FloatField()
    taken = serializers.CharField(help_text="the taken range that holds it already, if one does")


class SuggestionsSerializer(serializers.Serializer[Any]):
    surveys = serializers.ListField(child=serializers.IntegerField())
    resolution_hz = serializers.IntegerField(allow_null=True)
    floor_dbm = serializers.FloatField(allow_null=True)
    threshold_dbm = serializers.FloatField(allow_null=True)
    suggestions = SuggestionSerializer(many=True)


class AcceptSuggestionsSerializer(Strict):
    ranges = serializers.ListField(child=serializers.CharField())
    threshold_dbm = serializers.FloatField(help_text="over which they were suggested")


class SurveyFilter(PageFilter):
    state = serializers.ChoiceField(required=False, choices=SurveyState.choices)
    zone = serializers.CharField(required=False, source="zone__code", help_text="code")


class ThresholdFilter(Strict):
    threshold_dbm = FiniteField(
        required=False, min_value=-250, max_value=60, help_text="empty: 10 dB over the floor"
    )


class SurveyView(EventView):
    def surveys(self) -> Any:
        """Surveys hold every department's carriers; whoever sees only some learns of none."""
        if not self.actor.sees_all:
            raise Missing()
        return surveys_of(self.actor)

    def found(self) -> Survey:
        survey: Survey | None = self.surveys().filter(number=self.kwargs["number"]).first()
        if survey is None:
            raise Missing()
        return survey

    def zone(self, code: str) -> Zone:
        zone = events.zones_of(self.actor).filter(code=code).first()
        if zone is None:
            raise Faulty([Fault(0, "zone", code, "The event has no zone of that code.")])
        return zone


class SurveyList(SurveyView):
    """Surveys of the event, newest first; POST sends one, which is kept and then read."""

    parser_classes = [MultiPartParser, JSONParser]
    most_bytes = settings.SURVEY_MAX_BYTES + 1_000_000

    @extend_schema(
        operation_id="surveys_list", parameters=[SurveyFilter], responses=page_of(SurveySerializer)
    )
    def get(self, request: Request, slug: str) -> Response:
        rows = self.surveys().filter(**self.filters(SurveyFilter))
        return self.page(rows, "-number", lambda page: SurveySerializer(page, many=True).data)

    @extend_schema(
        operation_id="surveys_send", request={"multipart/form-data": SurveySentSerializer},
        responses={202: SurveySerializer},
        description="Keeps a survey. It is answered at once with the address, in Location, that says how far it is read.",
    )  # fmt: skip
    @may_be_repeated
    def post(self, request: Request, slug: str) -> Response:
        given = self.given(SurveySentSerializer)
        file = given.pop("file")
        survey = surveying.keep_survey(
            actor=self.actor, name=file.name, content=file.chunks(), zone=self.zone(given.pop("zone")),
            which=given.pop("own_on"), **given,
        )  # fmt: skip
        where = reverse("api:survey", args=[slug, survey.number], request=request)
        return Response(SurveySerializer(survey).data, status=202, headers={"Location": where})


class SurveyDetail(SurveyView):
    """One survey: how far it is read, how it was understood, which carriers of the event were on during it."""

    @extend_schema(operation_id="surveys_read", responses=SurveySerializer)
    def get(self, request: Request, slug: str, number: int) -> Response:
        survey = self.found()
        return with_etag(Response(SurveySerializer(survey).data), survey.version)

    @extend_schema(operation_id="surveys_change", request=SurveySaidSerializer, responses=SurveySerializer)
    @may_be_repeated
    def patch(self, request: Request, slug: str, number: int) -> Response:
        survey = self.found()
        version = self.version_in_hand(survey.version, str(survey))
        given = self.given(SurveySaidSerializer, partial=True)
        survey = surveying.change_survey(actor=self.actor, survey=survey, version=version, **given)
        return with_etag(Response(SurveySerializer(survey).data), survey.version)

    @extend_schema(operation_id="surveys_remove", responses={204: None})
    @may_be_repeated
    def delete(self, request: Request, slug: str, number: int) -> Response:
        survey = self.found()
        self.version_in_hand(survey.version, str(survey))
        surveys.remove_survey(actor=self.actor, survey=survey)
        return Response(status=204)


class SurveyComparison(SurveyView):
    """A survey against the plan: expected and seen, expected and missing, seen and unexplained."""

    @extend_schema(operation_id="surveys_compare", responses=ComparisonSerializer)
    def get(self, request: Request, slug: str, number: int) -> Response:
        survey = self.found()
        trace = reading.trace_of(survey) if survey.state == SurveyState.READ else None
        if trace is None:
            raise Missing("This survey is not read (yet), so there is nothing to compare.")
        found = surveying.compared(self.actor.event, Heard.of(survey, trace))
        return Response(ComparisonSerializer(found).data)


class ZoneSuggestions(SurveyView):
    """Ranges that the surveys of a zone suggest to keep free; POST marks the chosen ones as taken."""

    @extend_schema(
        operation_id="suggestions_list", parameters=[ThresholdFilter], responses=SuggestionsSerializer
    )
    def get(self, request: Request, slug: str, zone: str) -> Response:
        self.surveys()
        if not events.zones_of(self.actor).filter(code=zone).exists():
            raise Missing()
        typed = self.filters(ThresholdFilter).get("threshold_dbm")
        found = surveying.of_zone(heard_by_zone(self.actor.event).get(zone, []))
        threshold = surveying.threshold_of(found, typed) if found else None
        answer = {
            "surveys": [one.survey.number for one in found.heard] if found else [],
            "resolution_hz": found.resolution_hz if found else None,
            "floor_dbm": found.floor_dbm if found else None,
            "threshold_dbm": threshold,
            "suggestions": surveying.suggestions(self.actor.event, found, threshold)
            if found and threshold
            else [],
        }
        return Response(SuggestionsSerializer(answer).data)

    @extend_schema(
        operation_id="suggestions_accept",
        request=AcceptSuggestionsSerializer,
        responses={201: OpenApiTypes.OBJECT},
    )
    @may_be_repeated
    def post(self, request: Request, slug: str, zone: str) -> Response:
        given = self.given(AcceptSuggestionsSerializer)
        rows = surveying.accept(
            actor=self.actor, zone=self.zone(zone), keys=given["ranges"], threshold_dbm=given["threshold_dbm"]
        )
        return Response({"taken": [row.label for row in rows]}, status=201)
