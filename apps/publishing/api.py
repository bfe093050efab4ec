"""Editions and sheets for machines."""

from typing import Any

from django.http import HttpResponse
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.reverse import reverse

from apps.common.errors import Fault, Faulty, Missing
from apps.common.paging import Pages
from apps.events.api import EventView
from apps.events.queries import departments_of
from apps.publishing import actions, queries, rendering
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


class PublishSerializer(serializers.Serializer[Any]):
    note = serializers.CharField(required=False, allow_blank=True, default="")
    department = serializers.CharField(required=False, help_text="code; absent: the whole event")


class EditionList(EventView):
    """The editions that hold something for you, newest first; POST publishes the next one."""

    @extend_schema(operation_id="editions_list", responses=EditionSerializer(many=True))
    def get(self, request: Request, slug: str) -> Response:
        pages = Pages()
        page = pages.paginate_queryset(queries.editions_of(self.actor), request, self)
        return pages.get_paginated_response(
            EditionSerializer(page, many=True, context={"actor": self.actor}).data
        )

    @extend_schema(
        operation_id="editions_publish", request=PublishSerializer, responses={201: EditionSerializer}
    )
    def post(self, request: Request, slug: str) -> Response:
        wanted = PublishSerializer(data=request.data)
        wanted.is_valid(raise_exception=True)
        department = None
        if code := wanted.validated_data.get("department"):
            department = departments_of(self.actor).filter(code=code).first()
            if department is None:
                raise Faulty([Fault(0, "department", code, "There is no such department.")])
        edition = actions.publish(actor=self.actor, note=wanted.validated_data["note"], department=department)
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


class EditionDetail(EditionView):
    """One edition with the lines that you may see."""

    @extend_schema(operation_id="editions_read", responses={200: dict})
    def get(self, request: Request, slug: str, number: int) -> Response:
        edition = self.found()
        lines = [line.content for line in queries.lines_of(self.actor, edition)]
        return Response(EditionSerializer(edition, context={"actor": self.actor}).data | {"lines": lines})


class SheetView(EditionView):
    """A sheet of an edition: `?department=CODE`, `?as=json|csv|pdf`."""

    @extend_schema(
        operation_id="sheets_read",
        parameters=[
            OpenApiParameter("department", str),
            OpenApiParameter("as", str, enum=["json", "csv", "pdf"]),
        ],
        responses={200: dict},
    )
    def get(self, request: Request, slug: str, number: int) -> HttpResponse:
        edition, code = self.found(), request.query_params.get("department", "")
        stored = queries.lines_of(self.actor, edition)
        if code:
            if not departments_of(self.actor).filter(code=code).exists():
                raise Missing()
            stored = stored.filter(department=code)
        header, lines = queries.header_of(edition), [queries.sheet_line(line) for line in stored]
        match request.query_params.get("as", "json"):
            case "pdf":
                return HttpResponse(rendering.pdf(header, lines, code), content_type="application/pdf")
            case "csv":
                return HttpResponse(rendering.csv(header, lines), content_type="text/csv; charset=utf-8")
            case "json":
                return HttpResponse(rendering.json(header, lines), content_type="application/json")
            case other:
                raise Faulty([Fault(0, "as", other, "Use json, csv or pdf.")])
