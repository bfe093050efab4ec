"""The band plan, transmissions of others and television channels at the site, for machines."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from apps.common.choice import Choice
from apps.common.errors import Fault, Faulty, Missing, require
from apps.common.serializers import FiniteField, Strict
from apps.events.api import EventView, with_etag
from apps.events.repeats import may_be_repeated
from apps.events.rules import refusal_to_coordinate
from apps.spectrum import actions
from apps.spectrum.models import Occupied, Outsider, PlannedRange
from apps.spectrum.queries import band_plan_of, channels_of, occupied_of, outsiders_of
from apps.spectrum.rules import CHANNEL_STATES


class PlannedRangeSerializer(Strict):
    """A range of the band plan; empty lists of codes mean everybody."""

    id = serializers.IntegerField(read_only=True)
    label = serializers.CharField(max_length=100)
    low_hz = serializers.IntegerField(min_value=1, max_value=10**12)
    high_hz = serializers.IntegerField(min_value=1, max_value=10**12)
    purpose = serializers.ChoiceField(choices=PlannedRange.Purpose.choices)
    hard = serializers.BooleanField(required=False, default=True, help_text="false: preferred, not binding")
    departments = serializers.ListField(child=serializers.CharField(), required=False, default=list)
    kinds = serializers.ListField(child=serializers.CharField(), required=False, default=list)
    zones = serializers.ListField(child=serializers.CharField(), required=False, default=list)
    reason = serializers.CharField(required=False, default="", allow_blank=True, max_length=200)
    version = serializers.IntegerField(read_only=True)


class BandPlanList(EventView):
    """The event's band plan by frequency, for who sees every department; and the door for a new range."""

    @extend_schema(operation_id="band_plan_list", responses=PlannedRangeSerializer(many=True))
    def get(self, request: Request, slug: str) -> Response:
        return Response(PlannedRangeSerializer(band_plan_of(self.actor), many=True).data)

    @extend_schema(
        operation_id="band_plan_add", request=PlannedRangeSerializer, responses={201: PlannedRangeSerializer}
    )
    @may_be_repeated
    def post(self, request: Request, slug: str) -> Response:
        row = actions.plan_range(actor=self.actor, **self.given(PlannedRangeSerializer))
        return with_etag(Response(PlannedRangeSerializer(row).data, status=201), row.version)


class BandPlanDetail(EventView):
    """One range of the band plan: read it, change it, take it out."""

    def found(self) -> PlannedRange:
        row = band_plan_of(self.actor).filter(pk=self.kwargs["pk"]).first()
        if row is None:
            raise Missing()
        return row

    @extend_schema(operation_id="band_plan_read", responses=PlannedRangeSerializer)
    def get(self, request: Request, slug: str, pk: int) -> Response:
        row = self.found()
        return with_etag(Response(PlannedRangeSerializer(row).data), row.version)

    @extend_schema(
        operation_id="band_plan_change",
        request=PlannedRangeSerializer(partial=True),
        responses=PlannedRangeSerializer,
    )
    @may_be_repeated
    def patch(self, request: Request, slug: str, pk: int) -> Response:
        row = self.found()
        version = self.version_in_hand(row.version, row.label)
        given = self.given(PlannedRangeSerializer, partial=True)
        row = actions.change_planned_range(actor=self.actor, row=row, version=version, **given)
        return with_etag(Response(PlannedRangeSerializer(row).data), row.version)

    @extend_schema(operation_id="band_plan_drop", responses={204: None})
    @may_be_repeated
    def delete(self, request: Request, slug: str, pk: int) -> Response:
        row = self.found()
        version = self.version_in_hand(row.version, row.label)
        actions.drop_planned_range(actor=self.actor, row=row, version=version)
        return Response(status=204)


class TakenRangeSerializer(Strict):
    """A range that others use here. No zones: everywhere; no hours: always."""

    id = serializers.IntegerField(read_only=True)
    label = serializers.CharField(max_length=100)
    low_hz = serializers.IntegerField(min_value=1, max_value=10**12)
    high_hz = serializers.IntegerField(min_value=1, max_value=10**12)
    zones = serializers.ListField(
        child=serializers.CharField(), required=False, default=list, help_text="codes"
    )
    starts_at = serializers.DateTimeField(required=False, allow_null=True, default=None)
    ends_at = serializers.DateTimeField(required=False, allow_null=True, default=None)
    source = serializers.CharField(required=False, default="", allow_blank=True, max_length=200)
    version = serializers.IntegerField(read_only=True)


class TakenRangeList(EventView):
    """Ranges that others use here by frequency, for who sees every department; and the door for a new one."""

    @extend_schema(operation_id="taken_ranges_list", responses=TakenRangeSerializer(many=True))
    def get(self, request: Request, slug: str) -> Response:
        return Response(TakenRangeSerializer(occupied_of(self.actor), many=True).data)

    @extend_schema(
        operation_id="taken_ranges_add", request=TakenRangeSerializer, responses={201: TakenRangeSerializer}
    )
    @may_be_repeated
    def post(self, request: Request, slug: str) -> Response:
        row = actions.mark_occupied(actor=self.actor, **self.given(TakenRangeSerializer))
        return with_etag(Response(TakenRangeSerializer(row).data, status=201), row.version)


class TakenRangeDetail(EventView):
    """One range that others use: read it, change it, free it."""

    def found(self) -> Occupied:
        row = occupied_of(self.actor).filter(pk=self.kwargs["pk"]).first()
        if row is None:
            raise Missing()
        return row

    @extend_schema(operation_id="taken_ranges_read", responses=TakenRangeSerializer)
    def get(self, request: Request, slug: str, pk: int) -> Response:
        row = self.found()
        return with_etag(Response(TakenRangeSerializer(row).data), row.version)

    @extend_schema(
        operation_id="taken_ranges_change",
        request=TakenRangeSerializer(partial=True),
        responses=TakenRangeSerializer,
    )
    @may_be_repeated
    def patch(self, request: Request, slug: str, pk: int) -> Response:
        row = self.found()
        version = self.version_in_hand(row.version, row.label)
        given = self.given(TakenRangeSerializer, partial=True)
        row = actions.change_occupied(actor=self.actor, occupied=row, version=version, **given)
        return with_etag(Response(TakenRangeSerializer(row).data), row.version)

    @extend_schema(operation_id="taken_ranges_free", responses={204: None})
    @may_be_repeated
    def delete(self, request: Request, slug: str, pk: int) -> Response:
        row = self.found()
        version = self.version_in_hand(row.version, row.label)
        actions.free_occupied(actor=self.actor, occupied=row, version=version)
        return Response(status=204)


class OutsiderSerializer(Strict):
    """A transmission that nobody here registers, as it is heard at a zone."""

    code = serializers.CharField(read_only=True)
    label = serializers.CharField(max_length=200)
    zone = serializers.CharField(source="zone.code", help_text="code of the zone that hears it")
    frequency_hz = serializers.IntegerField(min_value=1, max_value=10**12)
    bandwidth_hz = serializers.IntegerField(min_value=1, max_value=10**12)
    level_db = FiniteField(
        required=False, default=0, min_value=-150, max_value=0, help_text="against a device of the zone"
    )
    source = serializers.CharField(required=False, default="", allow_blank=True, max_length=200)
    sure = serializers.BooleanField(required=False, default=True, help_text="false: suspected")
    starts_at = serializers.DateTimeField(required=False, allow_null=True, default=None)
    ends_at = serializers.DateTimeField(
        required=False, allow_null=True, default=None, help_text="neither of the two: always on the air"
    )
    version = serializers.IntegerField(read_only=True)


class OutsiderView(EventView):
    def fields(self, *, partial: bool = False) -> dict[str, Any]:
        given = self.given(OutsiderSerializer, partial=partial)
        if "zone" in given:
            code = given["zone"]["code"]
            zone = self.actor.event.zones.filter(code=code).first()
            if zone is None:
                known = ", ".join(self.actor.event.zones.order_by("code").values_list("code", flat=True))
                raise Faulty(
                    [Fault(0, "zone", code, f"There is no such zone; there are {known or 'none yet'}.")]
                )
            given["zone"] = zone
        return given

    def shown(self, row: Outsider, status: int = 200) -> Response:
        return with_etag(Response(OutsiderSerializer(row).data, status=status), row.version)


class OutsiderList(OutsiderView):
    """Transmissions of others by code, for who sees every department; and the door for a new one."""

    @extend_schema(operation_id="outsiders_list", responses=OutsiderSerializer(many=True))
    def get(self, request: Request, slug: str) -> Response:
        return Response(OutsiderSerializer(outsiders_of(self.actor), many=True).data)

    @extend_schema(
        operation_id="outsiders_add", request=OutsiderSerializer, responses={201: OutsiderSerializer}
    )
    @may_be_repeated
    def post(self, request: Request, slug: str) -> Response:
        require(refusal_to_coordinate(self.actor))
        return self.shown(actions.add_outsider(actor=self.actor, **self.fields()), 201)


class OutsiderDetail(OutsiderView):
    """One transmission of others: read it, change it, remove it."""

    def found(self) -> Outsider:
        row = outsiders_of(self.actor).filter(code=self.kwargs["code"]).first()
        if row is None:
            raise Missing()
        return row

    @extend_schema(operation_id="outsiders_read", responses=OutsiderSerializer)
    def get(self, request: Request, slug: str, code: str) -> Response:
        return self.shown(self.found())

    @extend_schema(
        operation_id="outsiders_change",
        request=OutsiderSerializer(partial=True),
        responses=OutsiderSerializer,
    )
    @may_be_repeated
    def patch(self, request: Request, slug: str, code: str) -> Response:
        row = self.found()
        version = self.version_in_hand(row.version, row.code)
        given = self.fields(partial=True)
        return self.shown(actions.change_outsider(actor=self.actor, outsider=row, version=version, **given))

    @extend_schema(operation_id="outsiders_remove", responses={204: None})
    @may_be_repeated
    def delete(self, request: Request, slug: str, code: str) -> Response:
        row = self.found()
        version = self.version_in_hand(row.version, row.code)
        actions.remove_outsider(actor=self.actor, outsider=row, version=version)
        return Response(status=204)


class ChannelSerializer(serializers.Serializer[Any]):
    channel = serializers.CharField(source="key", help_text="raster/name, such as europe-uhf/31")
    low_hz = serializers.IntegerField(source="channel.low_hz")
    high_hz = serializers.IntegerField(source="channel.high_hz")
    state = serializers.ChoiceField(choices=CHANNEL_STATES)
    source = serializers.CharField(source="mark.source", default="")
    known_on = serializers.DateField(source="mark.known_on", default=None, allow_null=True)
    reserved = serializers.CharField(help_text="why the ruleset keeps it out of anybody's hands, if it does")
    version = serializers.IntegerField()


class ChannelMarkSerializer(Strict):
    channels = serializers.DictField(
        child=serializers.IntegerField(min_value=0, max_value=2**31 - 1),
        help_text="{raster/name: the version that was read}, 0 where nothing was said yet",
    )
    state = serializers.ChoiceField(choices=CHANNEL_STATES)
    source = serializers.CharField(max_length=200, required=False, default="", allow_blank=True)
    known_on = serializers.DateField(required=False, allow_null=True, default=None)


class TelevisionList(EventView):
    """The television channels of the event's region, and what is known of each here; POST says something of several."""

    @extend_schema(operation_id="television_list", responses=ChannelSerializer(many=True))
    def get(self, request: Request, slug: str) -> Response:
        return Response(ChannelSerializer(channels_of(self.actor.event), many=True).data)

    @extend_schema(
        operation_id="television_mark",
        request=ChannelMarkSerializer,
        responses={200: ChannelSerializer(many=True)},
    )
    @may_be_repeated
    def post(self, request: Request, slug: str) -> Response:
        given = self.given(ChannelMarkSerializer)
        choice = Choice(given.pop("channels"))
        actions.mark_channels(actor=self.actor, choice=choice, **given)
        rows = [row for row in channels_of(self.actor.event) if row.key in choice.versions]
        return Response(ChannelSerializer(rows, many=True).data)
