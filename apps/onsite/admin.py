"""Reports through the back door."""

from django.contrib import admin

from apps.common.admin import Looking
from apps.onsite.models import Report


@admin.register(Report)
class ReportAdmin(Looking):
    list_display = ("event", "number", "state", "trouble", "carrier", "zone", "filed_name", "filed_at")
    list_filter = ("event", "state")
    list_select_related = ("event", "carrier", "zone")
