"""Kinds, registrations and carriers for machines."""

from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpResponse
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.parsers import BaseParser, JSONParser
from rest_framework.request import Request
from rest_framework.response import Response

from apps.common.errors import Fault, Faulty, Missing
from apps.common.paging import Pages
from apps.events.api import EventView, with_etag
from apps.registry import actions, queries
from apps.registry.importing import read_csv, write_csv
from apps.registry.judging import Judgement, Status
from apps.registry.lines import row_of
from apps.registry.models import Carrier, Change, Kind, KindRole, Registration
from apps.registry.states import RegistrationState


class KindRoleSerializer(serializers.ModelSerializer[KindRole]):
    class Meta:
        model = KindRole
        fields = [
            "code", "name", "sent_by", "received_by", "tuning", "bandwidth_hz", "offset_hz", "spacing_hz", "guards_hz", "mixes",
            "radio",
        ]  # fmt: skip


class KindSerializer(serializers.ModelSerializer[Kind]):
    roles = KindRoleSerializer(many=True, read_only=True)

    class Meta:
        model = Kind
        fields = [
            "code", "name", "words", "use", "modulation", "assigned", "not_assigned_why", "note", "power_mw", "cells",
            "running_h",
            "settings", "roles", "version",
        ]  # fmt: skip


class HoursSerializer(serializers.Serializer[Any]):
    start = serializers.DateTimeField(required=False, allow_null=True)
    end = serializers.DateTimeField(required=False, allow_null=True)
    all_day = serializers.BooleanField(required=False)


class RegistrationSerializer(serializers.Serializer[Any]):
    """A registration. In answers `start`, `end` and `all_day` stand beside `hours`, which holds the same."""

    id = serializers.IntegerField(read_only=True)
    external_id = serializers.CharField(required=False, allow_blank=True)
    label = serializers.CharField()
    kind = serializers.CharField(help_text="code or name of a kind of the event")
    department = serializers.CharField(
        required=False, help_text="code or name; may be left out by who has just one"
    )
    zone = serializers.CharField(help_text="code or name of a zone of the event")
    quantity = serializers.IntegerField(required=False, default=1)
    units = serializers.IntegerField(required=False, default=1, help_text="devices on each carrier")
    spares = serializers.IntegerField(required=False, default=0)
    hours = HoursSerializer(required=False)
    start = serializers.DateTimeField(required=False, allow_null=True)
    end = serializers.DateTimeField(required=False, allow_null=True)
    all_day = serializers.BooleanField(required=False)
    stretches = serializers.ListField(
        required=False,
        child=serializers.CharField(),
        help_text="where it is on more than once: ISO 8601 intervals such as 2027-06-11T18:00/2027-06-11T23:00",
    )
    priority = serializers.IntegerField(required=False, default=2, min_value=1, max_value=9)
    power_mw = serializers.FloatField(required=False, allow_null=True)
    fixed_hz = serializers.IntegerField(required=False, allow_null=True, help_text="the frequency in use now")
    low_hz = serializers.IntegerField(required=False, allow_null=True)
    high_hz = serializers.IntegerField(required=False, allow_null=True)
    can_change = serializers.ChoiceField(required=False, choices=Change.choices)
    contact = serializers.CharField(required=False, allow_blank=True)
    notes = serializers.CharField(required=False, allow_blank=True)
    settings = serializers.DictField(required=False, child=serializers.CharField())
    state = serializers.ChoiceField(read_only=True, choices=RegistrationState.choices)
    reason = serializers.CharField(read_only=True)
    version = serializers.IntegerField(required=False)


class FaultSerializer(serializers.Serializer[Any]):
    field = serializers.CharField()
    value = serializers.CharField()
    message = serializers.CharField()


class RowAnswerSerializer(serializers.Serializer[Any]):
    """What became of one row; rows count from 1."""

    row = serializers.IntegerField()
    external_id = serializers.CharField()
    status = serializers.ChoiceField(choices=[(status.value, status.value) for status in Status])
    id = serializers.IntegerField(allow_null=True)
    errors = FaultSerializer(many=True)


def represent(registration: Registration, zone: ZoneInfo) -> dict[str, Any]:
    row = row_of(registration, zone)
    hours = {name: row[name] for name in ("start", "end", "all_day")}
    return {"id": registration.pk, **row, "hours": hours}


class CSVParser(BaseParser):
    """A device list as a file in the body."""

    media_type = "text/csv"

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> list[dict[str, str]]:
        return read_csv(stream.read()).rows


class KindList(EventView):
    """The event's kinds of device, by code."""

    @extend_schema(operation_id="kinds_list", responses=KindSerializer(many=True))
    def get(self, request: Request, slug: str) -> Response:
        return Response(KindSerializer(queries.kinds_of(self.actor), many=True).data)


class RegistrationList(EventView):
    """The registrations that you may see, by department and label; and the door for new and changed ones."""

    parser_classes = [JSONParser, CSVParser]

    @extend_schema(
        operation_id="registrations_list",
        parameters=[
            OpenApiParameter("department", str), OpenApiParameter("state", str), OpenApiParameter("external_id", str),
            OpenApiParameter("page", int), OpenApiParameter("page_size", int),
            OpenApiParameter("as", str, enum=["csv"], description="csv: the whole list as a file that imports again"),
        ],
        responses=RegistrationSerializer(many=True),
    )  # fmt: skip
    def get(self, request: Request, slug: str) -> Response | HttpResponse:
        rows = queries.registrations_of(self.actor)
        filters = {"department": "department__code", "state": "state", "external_id": "external_id"}
        for name, path in filters.items():
            if name in request.query_params:
                rows = rows.filter(**{path: request.query_params[name]})
        zone = ZoneInfo(self.actor.event.timezone)
        if request.query_params.get("as") == "csv":
            content = write_csv(row_of(registration, zone) for registration in rows)
            return HttpResponse(content, content_type="text/csv; charset=utf-8")
        pages = Pages()
        page = pages.paginate_queryset(rows, request, self) or []
        return pages.get_paginated_response([represent(registration, zone) for registration in page])

    @extend_schema(
        operation_id="registrations_write",
        description=(
            "A list of registrations, new or known by `external_id` or department and label; each row is answered for itself, "
            "and good rows are saved even when others are faulty. With `?all_or_nothing=true`, and always for text/csv, one "
            "faulty row keeps all of them out (422 with every fault of every row). 201: something new; 200: nothing new; "
            "207: some rows are faulty; 422: all of them are."
        ),
        parameters=[OpenApiParameter("all_or_nothing", bool)],
        request=RegistrationSerializer(many=True),
        responses={
            200: RowAnswerSerializer(many=True),
            201: RowAnswerSerializer(many=True),
            207: RowAnswerSerializer(many=True),
        },
    )
    def post(self, request: Request, slug: str) -> Response:
        rows = request.data
        if isinstance(rows, dict):
            rows = [rows]
        if not isinstance(rows, list):
            raise Faulty([Fault(0, "", "", "Send a list of registrations.")])
        if len(rows) > 20_000:
            raise Faulty(
                [
                    Fault(
                        0, "", f"{len(rows):,} rows", f"{len(rows):,} rows; at most 20,000 are taken at once."
                    )
                ]
            )
        whole = request.query_params.get("all_or_nothing") == "true" or request.content_type.startswith(
            "text/csv"
        )
        judgements = actions.register(actor=self.actor, rows=rows, all_or_nothing=whole)
        faulty = sum(judged.status == Status.FAULTY for judged in judgements)
        new = any(judged.status == Status.NEW for judged in judgements)
        status = 422 if faulty and faulty == len(judgements) else 207 if faulty else 201 if new else 200
        return Response([answer(judged) for judged in judgements], status=status)


def answer(judged: Judgement) -> dict[str, Any]:
    return {
        "row": judged.row,
        "external_id": judged.external_id,
        "status": judged.status.value,
        "id": judged.existing.pk if judged.existing and judged.status != Status.FAULTY else None,
        "errors": [{"field": f.field, "value": f.value, "message": f.message} for f in judged.faults],
    }


class RegistrationDetail(EventView):
    """One registration: read it, change some of its fields, withdraw it."""

    def found(self) -> Registration:
        row = queries.registrations_of(self.actor).filter(pk=self.kwargs["pk"]).first()
        if row is None:
            raise Missing()
        return row

    def shown(self, registration: Registration) -> Response:
        data = represent(registration, ZoneInfo(self.actor.event.timezone))
        return with_etag(Response(data), registration.version)

    @extend_schema(operation_id="registrations_read", responses=RegistrationSerializer)
    def get(self, request: Request, slug: str, pk: int) -> Response:
        return self.shown(self.found())

    @extend_schema(
        operation_id="registrations_change",
        request=RegistrationSerializer(partial=True),
        responses=RegistrationSerializer,
    )
    def patch(self, request: Request, slug: str, pk: int) -> Response:
        registration = self.found()
        if not isinstance(request.data, dict):
            raise Faulty([Fault(0, "", "", "Send an object with the fields to change.")])
        actions.change(
            actor=self.actor, registration=registration, values=request.data, version=self.expected_version()
        )
        return self.shown(self.found())

    @extend_schema(operation_id="registrations_withdraw", responses={204: None})
    def delete(self, request: Request, slug: str, pk: int) -> Response:
        actions.withdraw(actor=self.actor, registration=self.found(), version=self.expected_version())
        return Response(status=204)


class CarrierSerializer(serializers.Serializer[Any]):
    carrier = serializers.CharField()
    registration = serializers.IntegerField()
    label = serializers.CharField()
    department = serializers.CharField()
    zone = serializers.CharField()
    kind = serializers.CharField()
    role = serializers.CharField()
    position = serializers.IntegerField()
    spare_of = serializers.CharField(allow_null=True)
    units = serializers.ListField(child=serializers.CharField())


class CarrierList(EventView):
    """The carriers that follow from the registrations that you may see, by code."""

    @extend_schema(operation_id="carriers_list", responses=CarrierSerializer(many=True))
    def get(self, request: Request, slug: str) -> Response:
        pages = Pages()
        rows = queries.carriers_of(self.actor).prefetch_related("units")
        page: list[Carrier] = pages.paginate_queryset(rows, request, self) or []
        return pages.get_paginated_response([represent_carrier(carrier) for carrier in page])


def represent_carrier(carrier: Carrier) -> dict[str, Any]:
    registration = carrier.registration
    return {
        "carrier": carrier.code,
        "registration": registration.pk,
        "label": registration.label,
        "department": registration.department.code,
        "zone": registration.zone.code,
        "kind": registration.kind.code,
        "role": carrier.role.code,
        "position": carrier.position,
        "spare_of": carrier.spare_of.code if carrier.spare_of else None,
        "units": [f"{carrier.code}/{unit.number}" for unit in carrier.units.all() if not unit.withdrawn],
    }
