"""Pages of a list: {count, next, previous, results}, in an order that nothing changes."""

from typing import Any

from rest_framework import serializers
from rest_framework.exceptions import NotFound
from rest_framework.pagination import CursorPagination, PageNumberPagination
from rest_framework.request import Request
from rest_framework.response import Response

from apps.common.errors import Fault, Faulty

PAGE_SIZE, MAX_PAGE_SIZE = 200, 5000


class Pages(CursorPagination):
    """Pages that follow one another by a key which is unique in the list and never changes.

    Whoever follows `next` to its end meets every row that is there all the while once, whatever others write meanwhile.
    """

    page_size = PAGE_SIZE
    page_size_query_param = "page_size"
    max_page_size = MAX_PAGE_SIZE

    def __init__(self, key: str) -> None:
        self.ordering = (key,)

    def paginate_queryset(self, queryset: Any, request: Request, view: Any = None) -> list[Any]:
        self.count = queryset.count()
        try:
            return super().paginate_queryset(queryset, request, view) or []
        except (ValueError, TypeError, NotFound) as unread:
            raise _no_cursor(request) from unread

    def get_paginated_response(self, data: Any) -> Response:
        answer = super().get_paginated_response(data)
        return Response({"count": self.count, **answer.data})


class NumberedPages(PageNumberPagination):
    """`?page=2`: for jumping. Rows that come or go meanwhile shift the others from page to page."""

    page_size = PAGE_SIZE
    page_size_query_param = "page_size"
    max_page_size = MAX_PAGE_SIZE


def pages_for(request: Request, key: str) -> Pages | NumberedPages:
    return NumberedPages() if "page" in request.query_params else Pages(key)


def _no_cursor(request: Request) -> Faulty:
    return Faulty(
        [Fault(0, "cursor", request.query_params.get("cursor", "")[:60], "Follow `next` as it was answered.")]
    )


def page_of(item: type[serializers.BaseSerializer[Any]]) -> type[serializers.Serializer[Any]]:
    """How a page of such items is described."""
    fields = {
        "__module__": __name__,
        "count": serializers.IntegerField(),
        "next": serializers.URLField(allow_null=True),
        "previous": serializers.URLField(allow_null=True),
        "results": item(many=True),
    }
    return type(
        f"{item.__name__.removesuffix('Serializer')}PageSerializer", (serializers.Serializer,), fields
    )
