"""Fields and shapes that every part of the REST interface shares."""

import difflib
import math
from collections.abc import Mapping
from typing import Any

from rest_framework import serializers

from apps.common.errors import Fault, Faulty
from apps.common.paging import MAX_PAGE_SIZE


class FiniteField(serializers.FloatField):
    """A number; «nan» and «infinity» are none."""

    default_error_messages = {"finite": "Give a finite number."}

    def to_internal_value(self, data: Any) -> float:
        number: float = super().to_internal_value(data)
        if not math.isfinite(number):
            self.fail("finite")
        return number


class Strict(serializers.Serializer[Any]):
    """A shape that takes no field it does not know: what is misspelt must not be passed over in silence."""

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, Mapping):
            unknown = {str(name): [self._remedy(str(name))] for name in data if name not in self.fields}
            if unknown:
                raise serializers.ValidationError(unknown)
        return super().to_internal_value(data)

    def _remedy(self, name: str) -> str:
        known = [field for field, kind in self.fields.items() if not kind.read_only]
        close = difflib.get_close_matches(name, known, 1)
        return f"There is no such field; {f'did you mean {close[0]}?' if close else 'use ' + ', '.join(known) + '.'}"


class PageFilter(Strict):
    """What every list takes in its address."""

    cursor = serializers.CharField(required=False, help_text="from `next` or `previous` of the page before")
    page = serializers.IntegerField(
        required=False,
        min_value=1,
        max_value=10**9,
        help_text="a page by its number; not stable while others write",
    )
    page_size = serializers.IntegerField(required=False, min_value=1, max_value=MAX_PAGE_SIZE)


class FaultSerializer(serializers.Serializer[Any]):
    field = serializers.CharField()
    value = serializers.CharField()
    message = serializers.CharField()


class RowFaultSerializer(FaultSerializer):
    row = serializers.IntegerField(help_text="counted from 1; 0 is the request as a whole")


class ProblemSerializer(serializers.Serializer[Any]):
    """Problem details (RFC 9457)."""

    type = serializers.CharField()
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField()
    errors = RowFaultSerializer(many=True, required=False, help_text="422: every fault at once")
    current_version = serializers.IntegerField(required=False, help_text="412: what the row is at by now")
    conflicts = serializers.ListField(
        child=serializers.DictField(), required=False, help_text="409: what stands in the way"
    )


def values_of(serializer: serializers.BaseSerializer[Any], row: int = 0) -> Any:
    """What was given, read and checked. Raises Faulty with every fault of it, each naming field, value and remedy."""
    if serializer.is_valid():
        return serializer.validated_data
    raise Faulty(faults_of(serializer.errors, serializer.initial_data, row))


def faults_of(detail: Any, given: Any = None, row: int = 0, field: str = "") -> list[Fault]:
    """Faults of a nested value; items of lists count from 1, as rows do."""
    if isinstance(detail, list) and any(isinstance(item, Mapping) for item in detail):
        detail = dict(enumerate(detail))
    if isinstance(detail, list):
        return [fault for item in detail for fault in faults_of(item, given, row, field)]
    if not isinstance(detail, Mapping):
        return [Fault(row, field, "" if given is None else str(given)[:200], str(detail))]
    faults = []
    for name, inner in detail.items():
        if name == "non_field_errors":
            faults += faults_of(inner, given, row, field)
            continue
        step = str(name + 1) if isinstance(name, int) else str(name)
        inside = given.get(name) if isinstance(given, Mapping) else None
        if isinstance(given, list) and isinstance(name, int) and name < len(given):
            inside = given[name]
        faults += faults_of(inner, inside, row, f"{field}.{step}".lstrip("."))
    return faults
