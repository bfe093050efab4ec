"""Permissions for machines: what has to be asked for, the list, the answers."""

from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.parsers import BaseParser
from rest_framework.request import Request
from rest_framework.response import Response

from apps.common.envelope import JSONBody, status_of_rows
from apps.common.errors import Fault, Faulty, Missing
from apps.common.paging import page_of
from apps.common.serializers import PageFilter
from apps.events.api import ALL_OR_NOTHING, CodeRowSerializer, EventView, answers_of, with_etag
from apps.events.repeats import may_be_repeated
from apps.registry import asking, permitting
from apps.registry.permission_lists import MAX_ROWS, decoded, read_list, write_list
from apps.spectrum.models import Permission
from apps.spectrum.queries import permissions_of
from apps.spectrum.states import PermissionState


class PermissionSerializer(serializers.Serializer[Any]):
    """A permission: for one frequency (`frequency_hz`) or a range (`low_hz`, `high_hz`) that holds whole carriers."""

    code = serializers.CharField(required=False, allow_blank=True, help_text="empty for a new one")
    state = serializers.ChoiceField(choices=PermissionState.choices, required=False)
    department = serializers.CharField(required=False, allow_blank=True, help_text="code; empty: for all")
    use = serializers.CharField(required=False, allow_blank=True, help_text="hand_held, link, …; empty: any")
    frequency_hz = serializers.IntegerField(required=False, allow_null=True)
    low_hz = serializers.IntegerField(required=False, allow_null=True)
    high_hz = serializers.IntegerField(required=False, allow_null=True)
    width_hz = serializers.IntegerField(help_text="of the widest carrier")
    power_mw = serializers.FloatField(help_text="radiated")
    basis = serializers.ChoiceField(choices=Permission.Basis.choices, required=False)
    antenna_height_m = serializers.FloatField(required=False, allow_null=True)
    zones = serializers.CharField(
        required=False, allow_blank=True, help_text="codes separated by semicolons; empty: the whole site"
    )
    place = serializers.CharField(required=False, allow_blank=True)
    start = serializers.DateTimeField(required=False, allow_null=True)
    end = serializers.DateTimeField(required=False, allow_null=True)
    wanted_for = serializers.CharField(required=False, allow_blank=True)
    authority = serializers.CharField(required=False, allow_blank=True, help_text="who decides")
    reference = serializers.CharField(required=False, allow_blank=True)
    conditions = serializers.CharField(required=False, allow_blank=True)
    until = serializers.DateTimeField(required=False, allow_null=True)
    version = serializers.IntegerField(required=False)


class NeedSerializer(serializers.Serializer[Any]):
    """What marked lines need: `permission` can be sent as a row of permissions."""

    state = serializers.CharField(help_text="to be asked for, or what became of the permission in `by`")
    by = serializers.CharField(allow_null=True)
    words = serializers.CharField(help_text="the ruleset's own, with their source")
    registrations = serializers.ListField(child=serializers.IntegerField())
    permission = PermissionSerializer()


class PermissionFilter(PageFilter):
    state = serializers.ChoiceField(required=False, choices=PermissionState.choices)
    department = serializers.CharField(required=False, help_text="code")

    def get_fields(self) -> dict[str, Any]:
        """`as` is a word of the language, so it cannot be declared above."""
        whole = serializers.ChoiceField(
            required=False, choices=["csv"], help_text="csv: the whole list as a file that is read again"
        )
        return {**super().get_fields(), "as": whole}


class PermissionCSVParser(BaseParser):
    media_type = "text/csv"

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> Any:
        return read_list(decoded(stream.read()))


class PermissionList(EventView):
    """The permissions that you may see, by code; and the door for new ones and for answers."""

    parser_classes = [JSONBody, PermissionCSVParser]

    @extend_schema(
        operation_id="permissions_list",
        parameters=[PermissionFilter],
        responses={
            (200, "application/json"): page_of(PermissionSerializer),
            (200, "text/csv"): OpenApiTypes.STR,
        },
    )
    def get(self, request: Request, slug: str) -> Response | HttpResponse:
        given = self.filters(PermissionFilter)
        paths = {"state": "state", "department": "department__code"}
        rows = permissions_of(self.actor).filter(
            **{path: given[name] for name, path in paths.items() if name in given}
        )
        zone = ZoneInfo(self.actor.event.timezone)
        if "as" in given:
            content = write_list(asking.row_of(row, zone) for row in rows)
            return HttpResponse(content, content_type="text/csv; charset=utf-8")
        return self.page(rows, "pk", lambda page: [asking.row_of(row, zone) for row in page])

    @extend_schema(
        operation_id="permissions_write",
        description=(
            "A list of permissions, new or known by `code`; each row is answered for itself, and good rows are saved even when "
            "others are faulty. With `?all_or_nothing=true`, and always for text/csv, one faulty row keeps all of them out. "
            "Lines that an answer reaches are marked again."
        ),
        parameters=[ALL_OR_NOTHING],
        request={"application/json": PermissionSerializer(many=True), "text/csv": OpenApiTypes.STR},
        responses=answers_of(CodeRowSerializer),
    )
    @may_be_repeated
    def post(self, request: Request, slug: str) -> Response:
        rows = self.rows_given(MAX_ROWS)
        whole = self.all_or_nothing or request.content_type.startswith("text/csv")
        answers = permitting.answer(actor=self.actor, rows=rows, all_or_nothing=whole)
        said = [
            {
                "row": row.row,
                "code": row.code,
                "status": row.status.value,
                "version": row.existing.version if row.existing and not row.faults else None,
                "errors": [{"field": f.field, "value": f.value, "message": f.message} for f in row.faults],
            }
            for row in answers
        ]
        return Response(said, status=status_of_rows(row.status.value for row in answers))


class PermissionsNeeded(EventView):
    """What the lines marked as not permitted here would need, those that you may see."""

    @extend_schema(operation_id="permissions_needed", responses=NeedSerializer(many=True))
    def get(self, request: Request, slug: str) -> Response:
        found = [
            {
                "state": need.state,
                "by": need.by.code if need.by else None,
                "words": need.words,
                "registrations": [line.pk for line in need.lines],
                "permission": need.row,
            }
            for need in asking.needs_of(self.actor)
        ]
        return Response(found)


class PermissionDetail(EventView):
    """One permission: read it, write an answer into it."""

    def found(self) -> Permission:
        row = permissions_of(self.actor).filter(code=self.kwargs["code"]).first()
        if row is None:
            raise Missing()
        return row

    def shown(self) -> Response:
        row = self.found()
        return with_etag(Response(asking.row_of(row, ZoneInfo(self.actor.event.timezone))), row.version)

    @extend_schema(operation_id="permissions_read", responses=PermissionSerializer)
    def get(self, request: Request, slug: str, code: str) -> Response:
        return self.shown()

    @extend_schema(
        operation_id="permissions_change",
        request=PermissionSerializer(partial=True),
        responses=PermissionSerializer,
    )
    @may_be_repeated
    def patch(self, request: Request, slug: str, code: str) -> Response:
        row = self.found()
        version = self.version_in_hand(row.version, row.code)
        if not isinstance(request.data, dict):
            raise Faulty([Fault(0, "", "", "Send an object with the fields to change.")])
        fields = {name: value for name, value in request.data.items() if name not in ("code", "version")}
        permitting.answer(actor=self.actor, rows=[{**fields, "code": row.code, "version": version}])
        return self.shown()
