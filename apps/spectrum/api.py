"""Television channels at the site, for machines."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from apps.common.choice import Choice
from apps.common.serializers import Strict
from apps.events.api import EventView
from apps.events.repeats import may_be_repeated
from apps.spectrum import actions
from apps.spectrum.queries import channels_of
from apps.spectrum.rules import CHANNEL_STATES


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
