"""The journal for machines."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from apps.common.paging import Pages
from apps.events.api import EventView
from apps.journal.models import Entry
from apps.overview import queries


class EntrySerializer(serializers.ModelSerializer[Entry]):
    class Meta:
        model = Entry
        fields = [
            "number", "at", "actor_name", "actor_email", "department", "verb", "subject", "changes", "reason", "digest",
        ]  # fmt: skip


class JournalList(EventView):
    """Who did what, when and why, newest first; to a lead, what concerns their departments."""

    @extend_schema(operation_id="journal_list", responses=EntrySerializer(many=True))
    def get(self, request: Request, slug: str) -> Response:
        pages = Pages()
        page: Any = pages.paginate_queryset(queries.journal_of(self.actor), request, self)
        return pages.get_paginated_response(EntrySerializer(page, many=True).data)
