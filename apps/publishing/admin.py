"""Editions through the back door."""

from django.contrib import admin

from apps.common.admin import Looking
from apps.publishing.models import Edition


@admin.register(Edition)
class EditionAdmin(Looking):
    list_display = ("event", "number", "department", "published_at", "published_by", "digest")
    list_filter = ("event",)
    list_select_related = ("event",)
