"""The door for machines: the actor in the event of the address, versions and ETags. And the event itself."""

import re
from typing import Any, cast

from django.http import Http404
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from apps.common.errors import Fault, Faulty
from apps.events import queries
from apps.events.actors import Actor
from apps.events.models import Department, Event, Person, Token, Zone


class EventView(APIView):
    """Base of every address below events/{slug}/: finds the actor, or answers 404 as if there were no such event."""

    @property
    def actor(self) -> Actor:
        if not hasattr(self, "_actor"):
            token = self.request.auth if isinstance(self.request.auth, Token) else None
            self._actor = queries.actor_in(cast(Person, self.request.user), self.kwargs["slug"], token)
        return self._actor

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        self.actor  # noqa: B018 - a stranger learns nothing, whatever they ask for

    def expected_version(self) -> int | None:
        """The version in If-Match, None when the header is absent or `*`."""
        header = self.request.headers.get("If-Match", "").strip()
        if not header or header == "*":
            return None
        match = re.fullmatch(r'(?:W/)?"?(\d{1,9})"?', header)
        if not match:
            raise Faulty([Fault(0, "If-Match", header, 'Give the ETag that was read, such as "3".')])
        return int(match[1])


def with_etag(response: Response, version: int) -> Response:
    response["ETag"] = f'"{version}"'
    return response


class ZoneSerializer(serializers.ModelSerializer[Zone]):
    class Meta:
        model = Zone
        fields = [
            "code",
            "name",
            "words",
            "east_m",
            "north_m",
            "antenna_height_m",
            "indoor",
            "own_distance_m",
            "version",
        ]


class DepartmentSerializer(serializers.ModelSerializer[Department]):
    class Meta:
        model = Department
        fields = ["code", "name", "confidential", "open_to_others", "shares_time", "version"]


class EventSerializer(serializers.ModelSerializer[Event]):
    role = serializers.SerializerMethodField(help_text="what you are in this event")

    class Meta:
        model = Event
        fields = [
            "slug", "name", "site", "timezone", "starts_on", "ends_on", "ruleset", "registration_closes_at", "revision",
            "version", "role",
        ]  # fmt: skip

    def get_role(self, event: Event) -> str:
        actor = self.context.get("actor")
        return actor.role if actor else ""


class EventList(APIView):
    """The events in which you are something."""

    @extend_schema(operation_id="events_list", responses=EventSerializer(many=True))
    def get(self, request: Request) -> Response:
        token = request.auth if isinstance(request.auth, Token) else None
        rows = queries.events_of(cast(Person, request.user), token).order_by("starts_on", "pk")
        return Response(EventSerializer(rows, many=True).data)


class EventDetail(EventView):
    """One event, with your role in it."""

    @extend_schema(operation_id="events_read", responses=EventSerializer)
    def get(self, request: Request, slug: str) -> Response:
        data = EventSerializer(self.actor.event, context={"actor": self.actor}).data
        return with_etag(Response(data), self.actor.event.version)


class ZoneList(EventView):
    """The event's zones, by code."""

    @extend_schema(operation_id="zones_list", responses=ZoneSerializer(many=True))
    def get(self, request: Request, slug: str) -> Response:
        return Response(ZoneSerializer(queries.zones_of(self.actor), many=True).data)


class DepartmentList(EventView):
    """The departments whose rows you may see, by code."""

    @extend_schema(operation_id="departments_list", responses=DepartmentSerializer(many=True))
    def get(self, request: Request, slug: str) -> Response:
        return Response(DepartmentSerializer(queries.departments_of(self.actor), many=True).data)


class NotHere(APIView):
    """Every other address: 401 without credentials, 404 with them."""

    @extend_schema(exclude=True)
    def get(self, request: Request, rest: str = "") -> Response:
        raise Http404

    post = put = patch = delete = get
