"""The journal for machines."""

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from apps.common.paging import page_of
from apps.common.serializers import PageFilter
from apps.events.api import EventView
from apps.journal.models import Entry
from apps.overview import queries


class EntrySerializer(serializers.ModelSerializer[Entry]):
    class Meta:
        model = Entry
        fields = [
            "number", "at", "actor_name", "actor_email", "department", "verb", "subject", "changes", "reason", "digest",
        ]  # fmt: skip


class JournalFilter(PageFilter):
    department = serializers.CharField(required=False, help_text="code")
    verb = serializers.CharField(required=False)
    subject = serializers.CharField(required=False)
    after = serializers.IntegerField(
        required=False,
        min_value=0,
        max_value=2**62,
        help_text="entries of a higher number: what is new since then",
    )
    since = serializers.DateTimeField(required=False)


class JournalList(EventView):
    """Who did what, when and why, newest first; to a lead, what concerns their departments."""

    @extend_schema(
        operation_id="journal_list", parameters=[JournalFilter], responses=page_of(EntrySerializer)
    )
    def get(self, request: Request, slug: str) -> Response:
        given, paths = self.filters(JournalFilter), {"after": "number__gt", "since": "at__gte"}
        rows = queries.journal_of(self.actor).filter(
            **{paths.get(name, name): value for name, value in given.items()}
        )
        return self.page(rows, "-number", lambda page: EntrySerializer(page, many=True).data)
