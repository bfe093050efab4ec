"""Kinds, registrations and carriers for machines."""

from collections.abc import Mapping
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db.models import Q, QuerySet
from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.parsers import BaseParser
from rest_framework.request import Request
from rest_framework.response import Response

from apps.common.choice import Choice
from apps.common.envelope import JSONBody, status_of_rows
from apps.common.errors import Fault, Faulty, Missing
from apps.common.paging import page_of
from apps.common.serializers import FaultSerializer, FiniteField, PageFilter, Strict
from apps.events.api import (
    ALL_OR_NOTHING,
    Coded,
    CodedDetail,
    CodedList,
    CodedSerializer,
    EventView,
    answers_of,
    described,
    with_etag,
)
from apps.events.models import CODE
from apps.events.queries import zones_of
from apps.events.repeats import may_be_repeated
from apps.radio.selectivity import LEAST_DB, MOST_OFFSET_HZ, MOST_POINTS
from apps.registry import actions, calendars, queries, rules, workbooks
from apps.registry.batching import Act, act_on_many
from apps.registry.catalogue import catalogue
from apps.registry.importing import FORMS, MEDIA_TYPES, read_csv, read_workbook, write_list
from apps.registry.judging import Judgement, Status
from apps.registry.lines import MAX_HZ, Names, row_of
from apps.registry.models import CURVES, FAMILIES, FIGURES, Antennas, Carrier, Change, Kind, Registration
from apps.registry.rules import with_figures
from apps.registry.states import RegistrationState

MAX_ID = 2**31 - 1


class RangeSerializer(Strict):
    """Frequencies low + k·step up to high; one frequency when low equals high."""

    low_hz = serializers.IntegerField(min_value=1, max_value=MAX_HZ)
    high_hz = serializers.IntegerField(min_value=1, max_value=MAX_HZ)
    step_hz = serializers.IntegerField(min_value=1, max_value=MAX_HZ)

    def validate(self, values: dict[str, Any]) -> dict[str, Any]:
        low, high, step = values["low_hz"], values["high_hz"], values["step_hz"]
        if low > high or (high - low) % step:
            raise serializers.ValidationError(
                {"high_hz": "The range must end on a step, and not below its start."}
            )
        return values


class PointSerializer(Strict):
    """A point of a mask or filter, the upper half standing for both."""

    offset_hz = serializers.IntegerField(min_value=0, max_value=int(MOST_OFFSET_HZ))
    level_db = FiniteField(min_value=LEAST_DB, max_value=0)


class RadioSerializer(Strict):
    """Figures of the radio model; null goes back to the model's starting value."""

    def get_fields(self) -> dict[str, Any]:
        curves = {
            curve.name: serializers.ListField(
                child=PointSerializer(), required=False, allow_null=True, min_length=2, max_length=MOST_POINTS,
                help_text=f"{curve.label}; from 0 Hz and 0 dB outwards, never rising; absent: by its modulation",
            )
            for curve in CURVES
        }  # fmt: skip
        return curves | {
            figure.name: FiniteField(
                required=False, allow_null=True, min_value=figure.low, max_value=figure.high,
                help_text=f"{figure.label}; absent: {figure.otherwise}",
            )
            for figure in FIGURES
        }  # fmt: skip

    def validate(self, values: dict[str, Any]) -> dict[str, Any]:
        for name in (curve.name for curve in CURVES):
            try:
                rules.curve(values.get(name), 1)
            except ValueError as wrong:
                raise serializers.ValidationError({name: f"{str(wrong).capitalize()}."}) from None
        return values


class KindRoleSerializer(Strict):
    """One carrier of a kind: what it tunes, how wide it is, what it must be spared."""

    code = serializers.CharField(max_length=32)
    name = serializers.CharField(required=False, max_length=200)
    sent_by = serializers.CharField(read_only=True)
    received_by = serializers.CharField(read_only=True)
    tuning = serializers.ListField(child=RangeSerializer(), required=False, min_length=1, max_length=50)
    bandwidth_hz = serializers.IntegerField(required=False, min_value=1, max_value=MAX_HZ)
    offset_hz = serializers.IntegerField(
        read_only=True, allow_null=True, help_text="above the kind's first role; null where it stands alone"
    )
    spacing_hz = serializers.IntegerField(required=False, min_value=1, max_value=MAX_HZ)
    guards_hz = serializers.DictField(
        child=serializers.IntegerField(allow_null=True, min_value=0, max_value=MAX_HZ), required=False,
        help_text="by family of products; null: it may land anywhere",
    )  # fmt: skip
    mixes = serializers.BooleanField(required=False)
    radio = RadioSerializer(required=False, help_text="only what it names changes")

    def validate_guards_hz(self, guards: dict[str, int | None]) -> dict[str, int | None]:
        unknown = sorted(set(guards) - set(FAMILIES))
        if unknown:
            raise serializers.ValidationError(f"There is no family {unknown[0]}; use {', '.join(FAMILIES)}.")
        return guards


class CatalogueKindSerializer(Strict):
    """A kind of device as the catalogue has it."""

    code = serializers.CharField(max_length=40, validators=[CODE])
    name = serializers.CharField(required=False, max_length=200)
    words = serializers.CharField(read_only=True)
    use = serializers.CharField(read_only=True, help_text="what rulesets call it")
    modulation = serializers.CharField(read_only=True)
    assigned = serializers.BooleanField(read_only=True)
    not_assigned_why = serializers.CharField(read_only=True)
    note = serializers.CharField(required=False, allow_blank=True, max_length=500)
    power_mw = serializers.ListField(
        child=FiniteField(min_value=0.001, max_value=1_000_000), required=False, max_length=50,
        help_text="power steps, conducted",
    )  # fmt: skip
    cells = serializers.CharField(required=False, allow_blank=True, max_length=60)
    running_h = FiniteField(required=False, allow_null=True, min_value=0.1, max_value=1000)
    settings = serializers.ListField(
        child=serializers.CharField(max_length=100), required=False, max_length=50,
        help_text="names of the settings that must match at both ends",
    )  # fmt: skip
    settings_at_one_end = serializers.ListField(
        child=serializers.CharField(max_length=100), required=False, max_length=50,
        help_text="names of the settings that are set at one end only",
    )  # fmt: skip
    roles = KindRoleSerializer(many=True, required=False, help_text="by code; only what they name changes")

    def validate_power_mw(self, steps: list[float]) -> list[float]:
        return sorted(set(steps))


class KindSerializer(CatalogueKindSerializer, CodedSerializer):
    """A kind of device of the event: a copy of one of the catalogue, with figures of its own."""

    code = serializers.CharField(max_length=40, validators=[CODE])
    template = serializers.CharField(
        required=False,
        write_only=True,
        help_text="which of the catalogue a new kind copies; absent: that of its code",
    )

    def validate_roles(self, roles: list[dict[str, Any]]) -> list[dict[str, Any]]:
        if isinstance(self.instance, Kind):
            known = [role.code for role in self.instance.roles.all()]
        else:
            given = self.initial_data if isinstance(self.initial_data, dict) else {}
            entry = catalogue().get(str(given.get("template") or given.get("code")), {"roles": []})
            known = [role["code"] for role in entry["roles"]]
        unknown = [role["code"] for role in roles if role["code"] not in known]
        if unknown:
            raise serializers.ValidationError(
                f"This kind has no role {unknown[0]}; it has {', '.join(known) or 'none'}."
            )
        return roles


class AntennasSerializer(Strict):
    """A zone's antenna system: antenna, cable with filter, amplifier, splitter on the way in; combiner, cable, antenna on
    the way out. A zone of which nothing was said has nothing of the kind (version 0)."""

    gain_dbi = FiniteField(required=False, min_value=-60, max_value=60)
    cable_db = FiniteField(required=False, min_value=0, max_value=90)
    low_hz = serializers.IntegerField(
        required=False, allow_null=True, min_value=1, max_value=MAX_HZ, help_text="what the filter lets in"
    )
    high_hz = serializers.IntegerField(required=False, allow_null=True, min_value=1, max_value=MAX_HZ)
    amplifier_db = FiniteField(required=False, min_value=0, max_value=60, help_text="0: there is none")
    amplifier_noise_db = FiniteField(required=False, allow_null=True, min_value=0, max_value=40)
    amplifier_iip3_dbm = FiniteField(required=False, allow_null=True, min_value=-60, max_value=80)
    splitter_db = FiniteField(required=False, min_value=0, max_value=60)
    send_combiner_db = FiniteField(required=False, min_value=0, max_value=60)
    send_cable_db = FiniteField(required=False, min_value=0, max_value=60)
    send_gain_dbi = FiniteField(
        required=False,
        allow_null=True,
        min_value=-60,
        max_value=60,
        help_text="null: each transmitter's own antenna",
    )
    note = serializers.CharField(required=False, allow_blank=True, max_length=500)
    version = serializers.IntegerField(read_only=True)


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
    late = serializers.BooleanField(read_only=True, help_text="asked for after registration had closed")
    reason = serializers.CharField(read_only=True)
    version = serializers.IntegerField(required=False)


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
    return {"id": registration.pk, **row, "late": registration.late, "hours": hours}


class CSVParser(BaseParser):
    """A device list as a file in the body."""

    media_type = "text/csv"

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> list[dict[str, str]]:
        return read_csv(stream.read()).rows


class WorkbookParser(BaseParser):
    """A device list as a workbook in the body."""

    media_type = workbooks.MEDIA_TYPE

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> list[dict[str, str]]:
        return read_workbook(stream.read()).rows


class CatalogueList(EventView):
    """The kinds that an event may copy, by code."""

    @extend_schema(operation_id="catalogue_list", responses=CatalogueKindSerializer(many=True))
    def get(self, request: Request, slug: str) -> Response:
        kinds = [kind for _, kind in sorted(catalogue().items())]
        return Response(CatalogueKindSerializer(kinds, many=True).data)


class Kinds(Coded):
    """What the doors of kinds share."""

    shape = KindSerializer
    word = "Kind"

    def rows(self) -> QuerySet[Kind]:
        return queries.kinds_of(self.actor)

    def add(self, values: dict[str, Any]) -> Kind:
        return actions.add_kind(actor=self.actor, **self._apart(values))

    def change(self, row: Kind, version: int | None, values: dict[str, Any]) -> Kind:
        values.pop("template", None)
        return actions.change_kind(actor=self.actor, kind=row, version=version, **self._apart(values))

    def differs(self, row: Kind, values: Mapping[str, Any]) -> bool:
        given = self._apart(values)
        there = {role.code: role for role in row.roles.all()}
        roles = given.pop("roles")
        given.pop("template", None)
        return any(getattr(row, name) != value for name, value in given.items()) or any(
            getattr(there[code], name)
            != (with_figures(there[code].radio, value) if name == "radio" else value)
            for code, fields in roles.items()
            for name, value in fields.items()
        )

    @staticmethod
    def _apart(values: Mapping[str, Any]) -> dict[str, Any]:
        """Roles by code, as the actions take them."""
        roles = {
            role["code"]: {n: v for n, v in role.items() if n != "code"} for role in values.get("roles", [])
        }
        return {**values, "roles": roles}


@described("kinds", KindSerializer)
class KindList(Kinds, CodedList):
    """The event's kinds of device, by code; POST copies from the catalogue and changes, each row answered for itself."""


@described("kinds", KindSerializer, detail=True)
class KindDetail(Kinds, CodedDetail):
    """One kind of device; it goes only while nobody ever registered one."""

    def remove(self, row: Kind, version: int | None) -> None:
        actions.remove_kind(actor=self.actor, kind=row, version=version)


class AntennasDetail(EventView):
    """The antenna system of one zone."""

    def found(self) -> Antennas:
        zone = zones_of(self.actor).filter(code=self.kwargs["code"]).first()
        if zone is None:
            raise Missing()
        return queries.antennas_at(zone)

    @extend_schema(operation_id="antennas_read", responses=AntennasSerializer)
    def get(self, request: Request, slug: str, code: str) -> Response:
        row = self.found()
        return with_etag(Response(AntennasSerializer(row).data), row.version)

    @extend_schema(
        operation_id="antennas_change",
        request=AntennasSerializer(partial=True),
        responses=AntennasSerializer,
    )
    @may_be_repeated
    def patch(self, request: Request, slug: str, code: str) -> Response:
        row = self.found()
        version = self.version_in_hand(row.version, f"The antennas of {code}")
        given = self.given(AntennasSerializer, partial=True)
        row = actions.equip(actor=self.actor, zone=row.zone, version=version, **given)
        return with_etag(Response(AntennasSerializer(row).data), row.version)

    @extend_schema(operation_id="antennas_remove", responses={204: None})
    @may_be_repeated
    def delete(self, request: Request, slug: str, code: str) -> Response:
        row = self.found()
        version = self.version_in_hand(row.version, f"The antennas of {code}")
        actions.unequip(actor=self.actor, antennas=row, version=version)
        return Response(status=204)


class RegistrationFilter(PageFilter):
    department = serializers.CharField(required=False, help_text="code")
    zone = serializers.CharField(required=False, help_text="code")
    kind = serializers.CharField(required=False, help_text="code")
    state = serializers.ChoiceField(required=False, choices=RegistrationState.choices)
    external_id = serializers.CharField(required=False)
    label = serializers.CharField(required=False)
    updated_since = serializers.DateTimeField(required=False)

    def get_fields(self) -> dict[str, Any]:
        """`as` is a word of the language, so it cannot be declared above."""
        whole = serializers.ChoiceField(
            required=False, choices=FORMS, help_text="a file that imports again, without what is withdrawn"
        )
        return {**super().get_fields(), "as": whole}


FILTERS = {
    "department": "department__code", "zone": "zone__code", "kind": "kind__code", "state": "state",
    "external_id": "external_id", "label": "label", "updated_since": "updated_at__gte",
}  # fmt: skip


class RegistrationList(EventView):
    """The registrations that you may see, by id; and the door for new and changed ones."""

    parser_classes = [JSONBody, CSVParser, WorkbookParser]

    @extend_schema(
        operation_id="registrations_list",
        parameters=[RegistrationFilter],
        responses={
            (200, "application/json"): page_of(RegistrationSerializer),
            (200, "text/csv"): OpenApiTypes.STR,
            (200, workbooks.MEDIA_TYPE): OpenApiTypes.BINARY,
        },
    )
    def get(self, request: Request, slug: str) -> Response | HttpResponse:
        given = self.filters(RegistrationFilter)
        rows = queries.registrations_of(self.actor).filter(
            **{path: given[name] for name, path in FILTERS.items() if name in given}
        )
        zone = ZoneInfo(self.actor.event.timezone)
        if "as" in given:
            if "state" not in given:  # what is withdrawn would be registered anew from a file
                rows = rows.exclude(state=RegistrationState.WITHDRAWN)
            content = write_list((row_of(registration, zone) for registration in rows), given["as"])
            return HttpResponse(content, content_type=MEDIA_TYPES[given["as"]])
        return self.page(rows, "pk", lambda page: [represent(row, zone) for row in page])

    @extend_schema(
        operation_id="registrations_write",
        description=(
            "A list of registrations, new or known by `external_id` or department and label; each row is answered for itself, "
            "and good rows are saved even when others are faulty. With `?all_or_nothing=true`, and always for files, one "
            "faulty row keeps all of them out (422 with every fault of every row). 201: something new; 200: nothing new; "
            "207: some rows are faulty; 422: all of them are."
        ),
        parameters=[ALL_OR_NOTHING],
        request={
            "application/json": RegistrationSerializer(many=True),
            "text/csv": OpenApiTypes.STR,
            workbooks.MEDIA_TYPE: OpenApiTypes.BINARY,
        },
        responses=answers_of(RowAnswerSerializer),
    )
    @may_be_repeated
    def post(self, request: Request, slug: str) -> Response:
        rows = self.rows_given(settings.IMPORT_MAX_ROWS)
        whole = self.all_or_nothing or request.content_type.startswith(("text/csv", workbooks.MEDIA_TYPE))
        return answers(actions.register(actor=self.actor, rows=rows, all_or_nothing=whole))


def answers(judgements: list[Judgement]) -> Response:
    """Every row answered for itself."""
    status = status_of_rows(judged.status.value for judged in judgements)
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
    @may_be_repeated
    def patch(self, request: Request, slug: str, pk: int) -> Response:
        registration = self.found()
        version = self.version_in_hand(registration.version, str(registration))
        if not isinstance(request.data, dict):
            raise Faulty([Fault(0, "", "", "Send an object with the fields to change.")])
        actions.change(actor=self.actor, registration=registration, values=request.data, version=version)
        return self.shown(self.found())

    @extend_schema(operation_id="registrations_withdraw", responses={204: None})
    @may_be_repeated
    def delete(self, request: Request, slug: str, pk: int) -> Response:
        registration = self.found()
        version = self.version_in_hand(registration.version, str(registration))
        actions.withdraw(actor=self.actor, registration=registration, version=version)
        return Response(status=204)


class SeenSerializer(Strict):
    id = serializers.IntegerField(min_value=1, max_value=MAX_ID)
    version = serializers.IntegerField(min_value=1, max_value=MAX_ID)


class RegistrationsSeenSerializer(Strict):
    """Registrations, each at the version that was read; all of them or none."""

    registrations = serializers.ListField(child=SeenSerializer(), min_length=1, max_length=5000)
    reason = serializers.CharField(required=False, default="", allow_blank=True, max_length=5000)


class CountSerializer(serializers.Serializer[Any]):
    changed = serializers.IntegerField()


class RegistrationsMove(EventView):
    """Move many registrations to another state, with one reason, as one batch."""

    act: Act

    @may_be_repeated
    def post(self, request: Request, slug: str) -> Response:
        given = self.given(RegistrationsSeenSerializer)
        choice = Choice.of((row["id"], row["version"]) for row in given["registrations"])
        batch = act_on_many(
            actor=self.actor, choice=choice, act=self.act, reason=given["reason"], all_or_none=True
        )
        return Response({"changed": batch.lines.count()})


@extend_schema_view(
    post=extend_schema(
        operation_id="registrations_accept", request=RegistrationsSeenSerializer, responses=CountSerializer
    )
)
class RegistrationsAccept(RegistrationsMove):
    """Take submitted registrations into the next run, all or none."""

    act = Act("accept")


@extend_schema_view(
    post=extend_schema(
        operation_id="registrations_send_back", request=RegistrationsSeenSerializer, responses=CountSerializer
    )
)
class RegistrationsSendBack(RegistrationsMove):
    """Return registrations to their leads, with a reason that stands in every one, all or none."""

    act = Act("send back")


# -- hours ----------------------------------------------------------------------------------


class HoursRowSerializer(Strict):
    """When a registration is on the air. Known by `id`, or by department and `external_id` or `label`."""

    id = serializers.IntegerField(required=False, min_value=1, max_value=MAX_ID)
    department = serializers.CharField(
        required=False, help_text="code or name; may be left out by who has just one"
    )
    external_id = serializers.CharField(required=False, allow_blank=True)
    label = serializers.CharField(required=False)
    start = serializers.DateTimeField(required=False, allow_null=True)
    end = serializers.DateTimeField(required=False, allow_null=True)
    all_day = serializers.BooleanField(required=False)
    stretches = serializers.ListField(
        required=False,
        child=serializers.CharField(),
        help_text="where it is on more than once: ISO 8601 intervals",
    )
    version = serializers.IntegerField(required=False, min_value=1, max_value=MAX_ID)


class HoursFilter(PageFilter):
    department = serializers.CharField(required=False, help_text="code")
    zone = serializers.CharField(required=False, help_text="code")
    since = serializers.DateTimeField(required=False, help_text="on the air at that moment or later")
    until = serializers.DateTimeField(required=False, help_text="on the air before that moment")


class HoursList(EventView):
    """When what is registered is on the air, by id; POST sets the hours of many, and nothing else of them."""

    @extend_schema(operation_id="hours_list", parameters=[HoursFilter], responses=page_of(HoursRowSerializer))
    def get(self, request: Request, slug: str) -> Response:
        given = self.filters(HoursFilter)
        rows = self.standing()
        for name in ("department", "zone"):
            if name in given:
                rows = rows.filter(**{f"{name}__code": given[name]})
        if "since" in given:
            rows = rows.filter(Q(ends_at=None) | Q(ends_at__gt=given["since"]))
        if "until" in given:
            rows = rows.filter(Q(starts_at=None) | Q(starts_at__lt=given["until"]))
        zone = ZoneInfo(self.actor.event.timezone)
        return self.page(rows, "pk", lambda page: [self._shown(row, zone) for row in page])

    @extend_schema(
        operation_id="hours_write", parameters=[ALL_OR_NOTHING], request=HoursRowSerializer(many=True),
        responses=answers_of(RowAnswerSerializer),
    )  # fmt: skip
    @may_be_repeated
    def post(self, request: Request, slug: str) -> Response:
        rows, names, known = self.rows_given(settings.IMPORT_MAX_ROWS), Names(self.actor), self._known()
        lines: dict[int, dict[str, Any]] = {}
        faults: dict[int, list[Fault]] = {}
        for number, raw in enumerate(rows, 1):
            try:
                lines[number] = self._line(number, raw, names, known)
            except Faulty as refusal:
                faults[number] = refusal.faults
        if faults and self.all_or_nothing:
            raise Faulty([fault for some in faults.values() for fault in some])
        judged = actions.register(
            actor=self.actor, rows=list(lines.values()), all_or_nothing=self.all_or_nothing
        )
        for number, judgement in zip(lines, judged, strict=True):
            judgement.row = number
        bad = [Judgement(number, "", "", Status.FAULTY, some) for number, some in faults.items()]
        return answers(sorted([*judged, *bad], key=lambda judgement: judgement.row))

    def standing(self) -> QuerySet[Registration]:
        return queries.registrations_of(self.actor).exclude(state=RegistrationState.WITHDRAWN)

    @staticmethod
    def _shown(row: Registration, zone: ZoneInfo) -> dict[str, Any]:
        whole = represent(row, zone)
        return {str(name): whole[str(name)] for name in HoursRowSerializer().fields}

    def _known(self) -> dict[tuple[Any, ...], Registration]:
        """What a row may mean: by id, and by the caller's id or the label within its department."""
        found: dict[tuple[Any, ...], Registration] = {}
        for row in self.standing():
            found["id", str(row.pk)] = row
            found["label", row.department_id, row.label] = row
            if row.external_id:
                found["external_id", row.department_id, row.external_id] = row
        return found

    @staticmethod
    def _line(
        number: int, raw: Any, names: Names, known: dict[tuple[Any, ...], Registration]
    ) -> dict[str, Any]:
        """A row of hours as a line of the list that says nothing else. Raises Faulty."""
        if not isinstance(raw, Mapping):
            raise Faulty([Fault(number, "", str(raw)[:200], "Hours are an object with id, start and end.")])
        fields = HoursRowSerializer().fields
        unknown = [
            Fault(
                number, str(name), str(raw[name])[:200], f"There is no such field; use {', '.join(fields)}."
            )
            for name in raw
            if name not in fields
        ]
        said = {name: raw[name] for name in ("start", "end", "all_day", "stretches") if name in raw}
        if not said:
            unknown.append(Fault(number, "start", "", "Say from when to when, or that it is on all day."))
        row, by = None, next((name for name in ("id", "external_id", "label") if raw.get(name)), "id")
        if by == "id":
            row = known.get(("id", str(raw.get("id"))))
        else:
            text = str(raw.get("department") or "").casefold()
            department = names.departments.get(text) if text else names.only_department
            if department is None:
                unknown.append(
                    Fault(number, "department", text[:200], "Say which of your departments this is for.")
                )
            else:
                row = known.get((by, department.pk, str(raw[by])))
        if row is None and not unknown:
            words = "There is no such registration; register it first."
            unknown.append(Fault(number, by, str(raw.get(by, ""))[:200], words))
        if unknown or row is None:
            raise Faulty(unknown)
        version = {"version": raw["version"]} if "version" in raw else {}
        own = {"id": row.pk, "department": row.department.code, "external_id": row.external_id}
        return {**own, **said, **version}


class CalendarParser(BaseParser):
    """A calendar in the body, as it came."""

    media_type = calendars.MEDIA_TYPE

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> bytes:
        content: bytes = stream.read()
        return content


class CalendarFilter(Strict):
    department = serializers.CharField(required=False, help_text="code")
    zone = serializers.CharField(required=False, help_text="code")


class CalendarRule(Strict):
    """Which lines an entry speaks of: those whose `equals` is what its `property` says, in capitals or not."""

    department = serializers.CharField(required=False, help_text="code; left out: all that you write for")
    property = serializers.CharField(
        default="LOCATION", max_length=100, help_text="SUMMARY, UID, X-… or another"
    )
    equals = serializers.ChoiceField(
        default=calendars.Target.ZONE.value, choices=[target.value for target in calendars.Target]
    )
    before_min = serializers.IntegerField(default=0, min_value=0, max_value=calendars.MAX_MARGIN_MIN)
    after_min = serializers.IntegerField(default=0, min_value=0, max_value=calendars.MAX_MARGIN_MIN)


class HoursCalendar(EventView):
    """When what is registered is on the air, as a calendar (iCalendar, RFC 5545); POST sets hours from one."""

    parser_classes = [CalendarParser]
    most_bytes = settings.IMPORT_MAX_BYTES

    @extend_schema(
        operation_id="hours_calendar",
        parameters=[CalendarFilter],
        responses={(200, calendars.MEDIA_TYPE): OpenApiTypes.STR},
    )
    def get(self, request: Request, slug: str) -> HttpResponse:
        given = self.filters(CalendarFilter)
        lines = queries.registrations_of(self.actor).filter(
            queries.ON_THE_AIR, **{f"{name}__code": code for name, code in given.items()}
        )
        content = calendars.write_calendar(self.actor.event.name, self.actor.event, lines)
        return HttpResponse(content, content_type=f"{calendars.MEDIA_TYPE}; charset=utf-8")

    @extend_schema(
        operation_id="hours_from_calendar",
        description=(
            "Sets the hours of the lines that a calendar's entries speak of under the rule of the address, all or none. Series "
            "are repeated within the event's days. Entries that fit no line change nothing; a faulty one that fits keeps all "
            "out. Answers each line whose hours changed."
        ),
        parameters=[CalendarRule],
        request={calendars.MEDIA_TYPE: OpenApiTypes.STR},
        responses=RowAnswerSerializer(many=True),
    )
    @may_be_repeated
    def post(self, request: Request, slug: str) -> Response:
        given = self.filters(CalendarRule)
        rule = calendars.Rule(
            given["property"], calendars.Target(given["equals"]), given["before_min"], given["after_min"]
        )
        lines = queries.lines_with_hours(self.actor)
        if "department" in given:
            lines = lines.filter(department__code=given["department"])
        read = calendars.read_calendar(self.file_given(), self.actor.event)
        said = calendars.schedule(read, rule, lines)
        if said.faults:
            raise Faulty(said.faults)
        return answers(actions.register(actor=self.actor, rows=said.rows()))


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


class CarrierFilter(PageFilter):
    department = serializers.CharField(required=False, help_text="code")
    zone = serializers.CharField(required=False, help_text="code")
    kind = serializers.CharField(required=False, help_text="code")
    registration = serializers.IntegerField(required=False, min_value=1, max_value=MAX_ID, help_text="its id")


class CarrierList(EventView):
    """The carriers that follow from the registrations that you may see, by code."""

    @extend_schema(
        operation_id="carriers_list", parameters=[CarrierFilter], responses=page_of(CarrierSerializer)
    )
    def get(self, request: Request, slug: str) -> Response:
        given = self.filters(CarrierFilter)
        rows = queries.carriers_of(self.actor).prefetch_related("units")
        paths = {name: f"registration__{name}__code" for name in queries.BY_CODE} | {
            "registration": "registration"
        }
        rows = rows.filter(**{path: given[name] for name, path in paths.items() if name in given})
        return self.page(rows, "code", lambda page: [represent_carrier(carrier) for carrier in page])


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
