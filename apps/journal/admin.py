"""The journal through the back door."""

from django.contrib import admin

from apps.common.admin import Looking
from apps.journal.models import Entry


@admin.register(Entry)
class EntryAdmin(Looking):
    list_display = ("event", "number", "at", "actor_name", "verb", "subject", "department")
    list_filter = ("event", "verb")
    search_fields = ("subject", "actor_email")
    ordering = ("event", "-number")
