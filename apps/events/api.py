"""The door for machines: the actor in the event of the address, versions, pages, lists. And the event, its zones and
departments."""

from abc import abstractmethod
from collections.abc import Callable, Mapping
from typing import Any, cast

from django.conf import settings
from django.db import IntegrityError, transaction
from django.db.models import Model, QuerySet
from django.http import Http404, HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.parsers import BaseParser
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from apps.common.envelope import TooLarge, Unguarded, status_of_rows
from apps.common.errors import Fault, Faulty, Missing, Stale
from apps.common.paging import pages_for
from apps.common.serializers import (
    FaultSerializer,
    FiniteField,
    PageFilter,
    Strict,
    values_of,
)
from apps.events import actions, maps, queries
from apps.events.actors import Actor
from apps.events.models import CODE, Department, Event, Person, Surroundings, Token, Walls, Zone
from apps.events.repeats import may_be_repeated

MAX_ROWS = 1000
MAX_M = 1_000_000


class EventView(APIView):
    """Base of every address below events/{slug}/: finds the actor, or answers 404 as if there were no such event."""

    most_bytes = settings.DATA_UPLOAD_MAX_MEMORY_SIZE

    @property
    def actor(self) -> Actor:
        if not hasattr(self, "_actor"):
            token = self.request.auth if isinstance(self.request.auth, Token) else None
            self._actor = queries.actor_in(cast(Person, self.request.user), self.kwargs["slug"], token)
        return self._actor

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        self.actor  # noqa: B018 - a stranger learns nothing, whatever they ask for
        if int(request.META.get("CONTENT_LENGTH") or 0) > self.most_bytes:
            raise TooLarge(self.most_bytes)

    def version_in_hand(self, current: int, what: str) -> int | None:
        """The version that an edit is for, as If-Match has it; None when it says `*`, whatever it is by now.

        Raises Unguarded without the header, Stale when the row is at another version (RFC 9110, section 13.1.1). Tags that
        a proxy made weak, and bare numbers, count too.
        """
        header = self.request.headers.get("If-Match", "").strip()
        if not header:
            raise Unguarded
        if header == "*":
            return None
        tags = {tag.strip().removeprefix("W/").strip('"') for tag in header.split(",")}
        if str(current) not in tags:
            raise Stale(what, current)
        return current

    def given(self, shape: type[serializers.Serializer[Any]], **more: Any) -> dict[str, Any]:
        """The request's content in that shape. Raises Faulty."""
        if not isinstance(self.request.data, Mapping):
            raise Faulty([Fault(0, "", "", "Send one object with its fields.")])
        return dict(values_of(shape(data=self.request.data, **more)))

    def filters(self, shape: type[Strict]) -> dict[str, Any]:
        """What the address asks for beside pages; an unknown filter is refused, so that nobody gets more than they meant."""
        given = values_of(shape(data=self.request.query_params.dict()))
        return {name: value for name, value in given.items() if name not in PageFilter().fields}

    def page(self, rows: QuerySet[Any], key: str, show: Callable[[list[Any]], Any]) -> Response:
        """A page of rows by a key that is unique among them and never changes."""
        pages = pages_for(self.request, key)
        found = pages.paginate_queryset(rows.order_by(key), self.request, self) or []
        return pages.get_paginated_response(show(found))

    def file_given(self) -> bytes:
        """A file in the body, as it came; nothing where there is no body."""
        return self.request.data if isinstance(self.request.data, bytes) else b""

    def rows_given(self, most: int = MAX_ROWS) -> list[Any]:
        """A list of rows, or one alone. Raises Faulty."""
        rows = self.request.data
        rows = [rows] if isinstance(rows, dict) else rows
        if not isinstance(rows, list):
            raise Faulty([Fault(0, "", "", "Send a list of objects.")])
        if len(rows) > most:
            raise Faulty(
                [
                    Fault(
                        0,
                        "",
                        f"{len(rows):,} rows",
                        f"{len(rows):,} rows; at most {most:,} are taken at once.",
                    )
                ]
            )
        return rows

    @property
    def all_or_nothing(self) -> bool:
        return self.request.query_params.get("all_or_nothing") == "true"


def with_etag(response: Response, version: int) -> Response:
    response["ETag"] = f'"{version}"'
    return response


ALL_OR_NOTHING = OpenApiParameter(
    "all_or_nothing",
    bool,
    description="true: one faulty row keeps all of them out, and every fault is answered",
)


def answers_of(row: type[serializers.Serializer[Any]]) -> dict[Any, Any]:
    """How the answers to a list of rows are described."""
    return {**dict.fromkeys((200, 201, 207), row(many=True)), (422, "application/json"): row(many=True)}


# -- lists of what has a code ---------------------------------------------------------------


class CodeRowSerializer(serializers.Serializer[Any]):
    """What became of one row; rows count from 1."""

    row = serializers.IntegerField()
    code = serializers.CharField(allow_blank=True)
    status = serializers.ChoiceField(choices=["new", "changed", "unchanged", "faulty"])
    version = serializers.IntegerField(allow_null=True)
    errors = FaultSerializer(many=True)


class CodedSerializer(Strict):
    """A row that its code names. The code stays as it is; a given `version` must be the present one."""

    code = serializers.CharField(max_length=32, validators=[CODE])
    version = serializers.IntegerField(required=False, min_value=1, max_value=2**31 - 1)

    def validate_code(self, code: str) -> str:
        if isinstance(self.instance, Model) and code != self.instance.code:  # type: ignore[attr-defined]  # its subclasses' models have one
            raise serializers.ValidationError("A code stays as it is; add another row instead.")
        return code


class Coded(EventView):
    """Rows of the event that their codes name. Those who add to it give the shape, the rows, and the two actions."""

    shape: type[CodedSerializer]
    word = ""

    @abstractmethod
    def rows(self) -> QuerySet[Any]:
        """What the actor may see."""

    @abstractmethod
    def add(self, values: dict[str, Any]) -> Any:
        """The action that makes one."""

    @abstractmethod
    def change(self, row: Any, version: int | None, values: dict[str, Any]) -> Any:
        """The action that changes one."""

    def shown(self, row: Any) -> Response:
        return with_etag(Response(self.shape(row).data), row.version)

    def differs(self, row: Any, values: Mapping[str, Any]) -> bool:
        return any(getattr(row, name) != value for name, value in values.items())


class CodedList(Coded):
    """All rows by code; POST adds those whose code is new and changes the others, each answered for itself."""

    def get(self, request: Request, slug: str) -> Response:
        return Response(self.shape(self.rows().order_by("code"), many=True).data)

    @may_be_repeated
    def post(self, request: Request, slug: str) -> Response:
        rows = self.rows_given()
        known = {row.code: row for row in self.rows()}
        with transaction.atomic():
            answers = [self._save(number, raw, known) for number, raw in enumerate(rows, 1)]
            if self.all_or_nothing and any(answer["errors"] for answer in answers):
                raise Faulty(
                    [Fault(answer["row"], **error) for answer in answers for error in answer["errors"]]
                )
        return Response(answers, status=status_of_rows(answer["status"] for answer in answers))

    def _save(self, number: int, raw: Any, known: dict[str, Any]) -> dict[str, Any]:
        code = str(raw.get("code", ""))[:200] if isinstance(raw, Mapping) else ""
        answer: dict[str, Any] = {
            "row": number,
            "code": code,
            "status": "faulty",
            "version": None,
            "errors": [],
        }
        row = known.get(code)
        try:
            with transaction.atomic():
                values = dict(values_of(self.shape(row, data=raw, partial=row is not None), number))
                version = values.pop("version", None)
                if row is None:
                    row, answer["status"] = self.add(values), "new"
                    known[code] = row
                elif version is not None and version != row.version:
                    raise Stale(f"{self.word} {code}", row.version)
                elif not self.differs(row, values):
                    answer["status"] = "unchanged"
                else:
                    values.pop("code", None)
                    row, answer["status"] = self.change(row, version, values), "changed"
                answer["version"] = row.version
        except Faulty as refusal:
            answer["errors"] = [
                {"field": fault.field, "value": fault.value, "message": fault.message}
                for fault in refusal.faults
            ]
        except Stale as refusal:
            answer["errors"] = [
                {"field": "version", "value": str(raw.get("version")), "message": str(refusal)}
            ]
        except IntegrityError:
            words = "Somebody else added the same at this very moment; send the row again."
            answer["errors"] = [{"field": "code", "value": code, "message": words}]
        return answer if answer["version"] else {**answer, "status": "faulty"}


class CodedDetail(Coded):
    """One row; changed and removed under the version that was read."""

    @abstractmethod
    def remove(self, row: Any, version: int | None) -> None:
        """The action that takes one away."""

    def found(self) -> Any:
        row = self.rows().filter(code=self.kwargs["code"]).first()
        if row is None:
            raise Missing()
        return row

    def get(self, request: Request, slug: str, code: str) -> Response:
        return self.shown(self.found())

    @may_be_repeated
    def patch(self, request: Request, slug: str, code: str) -> Response:
        row = self.found()
        version = self.version_in_hand(row.version, f"{self.word} {code}")
        values = self.given(cast(Any, self.shape), instance=row, partial=True)
        for name in ("code", "version"):
            values.pop(name, None)
        self.change(row, version, values)
        return self.shown(self.found())

    @may_be_repeated
    def delete(self, request: Request, slug: str, code: str) -> Response:
        row = self.found()
        self.remove(row, self.version_in_hand(row.version, f"{self.word} {code}"))
        return Response(status=204)


def described(name: str, shape: type[CodedSerializer], *, detail: bool = False) -> Any:
    """How the addresses of a list, or of one of its rows, are described."""
    if detail:
        return extend_schema_view(
            get=extend_schema(operation_id=f"{name}_read", responses=shape),
            patch=extend_schema(operation_id=f"{name}_change", request=shape(partial=True), responses=shape),
            delete=extend_schema(operation_id=f"{name}_remove", responses={204: None}),
        )
    return extend_schema_view(
        get=extend_schema(operation_id=f"{name}_list", responses=shape(many=True)),
        post=extend_schema(
            operation_id=f"{name}_write", parameters=[ALL_OR_NOTHING], request=shape(many=True),
            responses=answers_of(CodeRowSerializer),
        ),
    )  # fmt: skip


# -- the event ------------------------------------------------------------------------------


class EventSerializer(serializers.ModelSerializer[Event]):
    role = serializers.SerializerMethodField(help_text="what you are in this event")

    class Meta:
        model = Event
        fields = [
            "slug", "name", "site", "timezone", "starts_on", "ends_on", "ruleset", "contact_on_site", "registration_closes_at",
            "accepts_automatically", "latitude_deg", "longitude_deg", "surroundings", "fade_db", "revision", "version", "role",
        ]  # fmt: skip

    def get_role(self, event: Event) -> str:
        actor = self.context.get("actor")
        return actor.role if actor else ""


class EventChangeSerializer(Strict):
    """What can change of an event here; its address stays, and its ruleset is chosen on its page."""

    name = serializers.CharField(max_length=200)
    site = serializers.CharField(max_length=200, allow_blank=True)
    timezone = serializers.CharField(max_length=64)
    starts_on = serializers.DateField()
    ends_on = serializers.DateField()
    contact_on_site = serializers.CharField(max_length=200, allow_blank=True)
    registration_closes_at = serializers.DateTimeField(allow_null=True)
    accepts_automatically = serializers.BooleanField()
    latitude_deg = FiniteField(allow_null=True, min_value=-90, max_value=90)
    longitude_deg = FiniteField(allow_null=True, min_value=-180, max_value=180)
    surroundings = serializers.ChoiceField(choices=Surroundings.choices, help_text="between low antennas")
    fade_db = FiniteField(min_value=0, max_value=60, help_text="allowed for below the weakest wanted signal")


class EventList(APIView):
    """The events in which you are something."""

    @extend_schema(operation_id="events_list", responses=EventSerializer(many=True))
    def get(self, request: Request) -> Response:
        token = request.auth if isinstance(request.auth, Token) else None
        rows = queries.events_of(cast(Person, request.user), token).order_by("starts_on", "pk")
        return Response(EventSerializer(rows, many=True).data)


class EventDetail(EventView):
    """One event, with your role in it."""

    def shown(self, event: Event) -> Response:
        return with_etag(Response(EventSerializer(event, context={"actor": self.actor}).data), event.version)

    @extend_schema(operation_id="events_read", responses=EventSerializer)
    def get(self, request: Request, slug: str) -> Response:
        return self.shown(self.actor.event)

    @extend_schema(
        operation_id="events_change", request=EventChangeSerializer(partial=True), responses=EventSerializer
    )
    @may_be_repeated
    def patch(self, request: Request, slug: str) -> Response:
        event = self.actor.event
        version = self.version_in_hand(event.version, "The event")
        values = self.given(EventChangeSerializer, partial=True)
        actions.change_event(actor=self.actor, event=event, version=version, **values)
        return self.shown(Event.objects.get(pk=event.pk))


# -- zones and departments ------------------------------------------------------------------


class ZoneSerializer(CodedSerializer):
    """A place: metres east and north of the event's origin."""

    name = serializers.CharField(max_length=200)
    words = serializers.CharField(required=False, allow_blank=True, max_length=5000)
    east_m = FiniteField(required=False, min_value=-MAX_M, max_value=MAX_M)
    north_m = FiniteField(required=False, min_value=-MAX_M, max_value=MAX_M)
    antenna_height_m = FiniteField(required=False, min_value=0, max_value=500)
    indoor = serializers.BooleanField(required=False)
    walls = serializers.ChoiceField(required=False, choices=Walls.choices, help_text="ITU-R P.2109")
    noise_rise_db = FiniteField(
        required=False, min_value=0, max_value=60, help_text="local noise of screens and lighting"
    )
    own_distance_m = FiniteField(required=False, min_value=0.1, max_value=50_000)
    nearest_m = FiniteField(required=False, allow_null=True, min_value=0.1, max_value=50_000)
    farthest_m = FiniteField(required=False, allow_null=True, min_value=0.1, max_value=100_000)
    rack_m = FiniteField(required=False, min_value=0.1, max_value=1000)


class Zones(Coded):
    """What the doors of zones share."""

    shape = ZoneSerializer
    word = "Zone"

    def rows(self) -> QuerySet[Zone]:
        return queries.zones_of(self.actor)

    def add(self, values: dict[str, Any]) -> Zone:
        return actions.add_zone(actor=self.actor, **values)

    def change(self, row: Zone, version: int | None, values: dict[str, Any]) -> Zone:
        return actions.change_zone(actor=self.actor, zone=row, version=version, **values)


@described("zones", ZoneSerializer)
class ZoneList(Zones, CodedList):
    """The event's zones, by code; POST adds and changes many, each row answered for itself."""


@described("zones", ZoneSerializer, detail=True)
class ZoneDetail(Zones, CodedDetail):
    """One zone; it goes only while nothing stands in it."""

    def remove(self, row: Zone, version: int | None) -> None:
        actions.remove_zone(actor=self.actor, zone=row, version=version)


class MapParser(BaseParser):
    """A map in the body, as it came."""

    media_type = maps.MEDIA_TYPE

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> bytes:
        content: bytes = stream.read()
        return content


class ZoneMap(EventView):
    """The zones as GeoJSON (RFC 7946): degrees here, metres from the event's origin everywhere else."""

    parser_classes = [MapParser]
    most_bytes = maps.MAX_BYTES

    @extend_schema(operation_id="zones_map", responses={(200, maps.MEDIA_TYPE): OpenApiTypes.OBJECT})
    def get(self, request: Request, slug: str) -> HttpResponse:
        content = maps.write_map(self.actor.event, queries.zones_of(self.actor))
        return HttpResponse(content, content_type=maps.MEDIA_TYPE)

    @extend_schema(
        operation_id="zones_place",
        description=(
            "Adds and changes zones as the features of a map have them, all or none; zones that it does not hold stay. A "
            "feature means the zone of its property `code`, else of its `name`, else of its id."
        ),
        request={maps.MEDIA_TYPE: OpenApiTypes.OBJECT},
        responses={code: CodeRowSerializer(many=True) for code in (200, 201)},
    )
    @may_be_repeated
    def post(self, request: Request, slug: str) -> Response:
        read = actions.place_zones(actor=self.actor, content=self.file_given())
        versions = dict(queries.zones_of(self.actor).values_list("code", "version"))
        answers: list[dict[str, Any]] = [
            {
                "row": one.row,
                "code": one.code,
                "status": one.status.value,
                "version": versions[one.code],
                "errors": [],
            }
            for one in read
        ]
        return Response(answers, status=status_of_rows(answer["status"] for answer in answers))


class DepartmentSerializer(CodedSerializer):
    """A party that brings devices."""

    code = serializers.CharField(max_length=16, validators=[CODE])
    name = serializers.CharField(max_length=200)
    confidential = serializers.BooleanField(required=False)
    open_to_others = serializers.BooleanField(required=False)
    shares_time = serializers.BooleanField(required=False)

    def validate(self, values: dict[str, Any]) -> dict[str, Any]:
        def will_be(name: str) -> bool:
            return bool(values.get(name, getattr(self.instance, name, False)))

        if will_be("confidential") and will_be("open_to_others"):
            raise serializers.ValidationError(
                {"open_to_others": "A confidential department cannot be named to others; choose one."}
            )
        return values


class Departments(Coded):
    """What the doors of departments share."""

    shape = DepartmentSerializer
    word = "Department"

    def rows(self) -> QuerySet[Department]:
        return queries.departments_of(self.actor)

    def add(self, values: dict[str, Any]) -> Department:
        return actions.add_department(actor=self.actor, **values)

    def change(self, row: Department, version: int | None, values: dict[str, Any]) -> Department:
        return actions.change_department(actor=self.actor, department=row, version=version, **values)


@described("departments", DepartmentSerializer)
class DepartmentList(Departments, CodedList):
    """The departments whose rows you may see, by code; POST adds and changes many, each row answered for itself."""


@described("departments", DepartmentSerializer, detail=True)
class DepartmentDetail(Departments, CodedDetail):
    """One department; it goes only while it never registered anything."""

    def remove(self, row: Department, version: int | None) -> None:
        actions.remove_department(actor=self.actor, department=row, version=version)


# -- the token itself -----------------------------------------------------------------------


class TokenSerializer(serializers.Serializer[Any]):
    """What a token may do; its secret is shown once, where it is issued."""

    label = serializers.CharField()
    begins_with = serializers.CharField(source="token_key")
    department = serializers.CharField(
        source="department.code", default=None, allow_null=True, help_text="null: all that its owner reaches"
    )
    writes = serializers.BooleanField()
    expires_at = serializers.DateTimeField(source="expiry", allow_null=True)
    last_used_at = serializers.DateTimeField(allow_null=True, help_text="to the minute")


class TokenDetail(EventView):
    """The token that the request came with; DELETE ends it at once."""

    @property
    def token(self) -> Token:
        assert isinstance(self.request.auth, Token)
        return self.request.auth

    @extend_schema(operation_id="token_read", responses=TokenSerializer)
    def get(self, request: Request, slug: str) -> Response:
        return Response(TokenSerializer(self.token).data)

    @extend_schema(operation_id="token_revoke", responses={204: None})
    def delete(self, request: Request, slug: str) -> Response:
        actions.revoke_token(actor=self.actor, token=self.token)
        return Response(status=204)


class NotHere(APIView):
    """Every other address: 401 without credentials, 404 with them."""

    @extend_schema(exclude=True)
    def get(self, request: Request, rest: str = "") -> Response:
        raise Http404

    post = put = patch = delete = get
