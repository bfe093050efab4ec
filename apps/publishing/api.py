"""Editions and sheets for machines."""

from typing import Any

from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.reverse import reverse

from apps.common.errors import Fault, Faulty, Missing
from apps.common.paging import page_of
from apps.common.serializers import PageFilter, Strict
from apps.events.api import EventView
from apps.events.queries import departments_of
from apps.events.repeats import may_be_repeated
from apps.publishing import actions, changes, queries, rendering
from apps.publishing.models import Edition


class EditionSerializer(serializers.ModelSerializer[Edition]):
    replaces = serializers.IntegerField(source="replaces.number", allow_null=True, default=None)
    accepted = serializers.SerializerMethodField(
        help_text="breaches that stay, with whose signature; empty for who does not see every department"
    )

    def get_accepted(self, edition: Edition) -> list[dict[str, str]]:
        return queries.accepted_in(self.context["actor"], edition)

    class Meta:
        model = Edition
        fields = [
            "number", "department", "published_at", "published_by", "note", "replaces", "revision", "plan_digest", "digest",
            "accepted",
        ]  # fmt: skip


class EditionFilter(PageFilter):
    department = serializers.CharField(required=False, help_text="code; those of this department alone")


class PublishSerializer(Strict):
    note = serializers.CharField(required=False, allow_blank=True, default="")
    department = serializers.CharField(required=False, help_text="code; absent: the whole event")
    lock = serializers.BooleanField(
        required=False, default=False, help_text="lock what goes out, so that no run moves it any more"
    )


class EditionList(EventView):
    """The editions that hold something for you, newest first; POST publishes the next one."""

    @extend_schema(
        operation_id="editions_list", parameters=[EditionFilter], responses=page_of(EditionSerializer)
    )
    def get(self, request: Request, slug: str) -> Response:
        rows = queries.editions_of(self.actor)
        given = self.filters(EditionFilter)
        if "department" in given:
            rows = rows.filter(department=given["department"])
        context = {"actor": self.actor}
        return self.page(
            rows, "-number", lambda page: EditionSerializer(page, many=True, context=context).data
        )

    @extend_schema(
        operation_id="editions_publish", request=PublishSerializer, responses={201: EditionSerializer}
    )
    @may_be_repeated
    def post(self, request: Request, slug: str) -> Response:
        given = self.given(PublishSerializer)
        department = None
        if code := given.get("department"):
            department = departments_of(self.actor).filter(code=code).first()
            if department is None:
                raise Faulty([Fault(0, "department", code, "There is no such department.")])
        edition = actions.publish(
            actor=self.actor, note=given["note"], department=department, lock=given["lock"]
        )
        where = reverse("api:edition", args=[slug, edition.number], request=request)
        return Response(
            EditionSerializer(edition, context={"actor": self.actor}).data,
            status=201,
            headers={"Location": where},
        )


class EditionView(EventView):
    def found(self) -> Edition:
        edition = queries.editions_of(self.actor).filter(number=self.kwargs["number"]).first()
        if edition is None:
            raise Missing()
        return edition


class EditionWithLinesSerializer(EditionSerializer):
    lines = serializers.ListField(
        child=serializers.DictField(), help_text="one for each unit, as on the sheets"
    )

    class Meta(EditionSerializer.Meta):
        fields = [*EditionSerializer.Meta.fields, "lines"]


class EditionDetail(EditionView):
    """One edition with the lines that you may see."""

    @extend_schema(operation_id="editions_read", responses=EditionWithLinesSerializer)
    def get(self, request: Request, slug: str, number: int) -> Response:
        edition = self.found()
        lines = [line.content for line in queries.lines_of(self.actor, edition)]
        return Response(EditionSerializer(edition, context={"actor": self.actor}).data | {"lines": lines})


class SheetFilter(Strict):
    department = serializers.CharField(required=False, help_text="code")
    zone = serializers.CharField(required=False, help_text="code")
    carrier = serializers.CharField(required=False, help_text="code; that device alone")

    def get_fields(self) -> dict[str, Any]:
        """`as` is a word of the language, so it cannot be declared above."""
        form = serializers.ChoiceField(required=False, default="json", choices=["json", "csv", "pdf"])
        return {**super().get_fields(), "as": form}


SHEETS = {
    (200, "application/json"): OpenApiTypes.OBJECT,
    (200, "text/csv"): OpenApiTypes.STR,
    (200, "application/pdf"): OpenApiTypes.BINARY,
}


class SheetView(EditionView):
    """A sheet of an edition, of a department, zone or carrier of it: as data, table or paper."""

    @extend_schema(operation_id="sheets_read", parameters=[SheetFilter], responses=SHEETS)
    def get(self, request: Request, slug: str, number: int) -> HttpResponse:
        return self.sheet(self.found(), self.filters(SheetFilter))

    def sheet(self, edition: Edition, given: dict[str, Any]) -> HttpResponse:
        form, code = given.pop("as"), given.get("department", "")
        if code and not departments_of(self.actor).filter(code=code).exists():
            raise Missing()
        stored = queries.lines_of(self.actor, edition).filter(**given)
        header, lines = queries.header_of(edition), [queries.sheet_line(line) for line in stored]
        match form:
            case "pdf":
                from apps.publishing import paper  # noqa: PLC0415 - loaded by whoever prints

                since = (
                    changes.since_before(self.actor, edition, code) if set(given) == {"department"} else None
                )
                return HttpResponse(paper.pdf(header, lines, code, since), content_type="application/pdf")
            case "csv":
                return HttpResponse(rendering.csv(header, lines), content_type="text/csv; charset=utf-8")
        return HttpResponse(rendering.json(header, lines), content_type="application/json")


class StandingFilter(SheetFilter):
    department = None


class StandingSheet(SheetView):
    """The sheet that counts now for a department: of its own newest part, or of the whole event's edition."""

    @extend_schema(operation_id="sheets_read_standing", parameters=[StandingFilter], responses=SHEETS)
    def get(self, request: Request, slug: str, code: str) -> HttpResponse:
        given = self.filters(StandingFilter)
        edition = queries.standing_edition_of(self.actor.event, code)
        if edition is None:
            raise Missing()
        return self.sheet(edition, {**given, "department": code})
