"""Runs and the plan through the back door."""

from django.contrib import admin

from apps.common.admin import Looking
from apps.planning.models import Acceptance, Assignment, Inquiry, LeftOut, Run


@admin.register(Run)
class RunAdmin(Looking):
    list_display = (
        "event",
        "number",
        "state",
        "attempt",
        "claimed_by",
        "heartbeat_at",
        "placed",
        "left_out",
        "failure",
    )
    list_filter = ("event", "state")
    list_select_related = ("event",)


@admin.register(Assignment)
class AssignmentAdmin(Looking):
    list_display = ("carrier", "frequency_hz", "state", "by_hand", "version")
    list_filter = ("event", "state")
    list_select_related = ("carrier",)
    search_fields = ("carrier__code",)


@admin.register(LeftOut)
class LeftOutAdmin(Looking):
    list_display = ("carrier", "run")
    list_select_related = ("carrier", "run__event")


@admin.register(Acceptance)
class AcceptanceAdmin(Looking):
    list_display = ("event", "description", "accepted_by", "until")
    list_select_related = ("event",)


@admin.register(Inquiry)
class InquiryAdmin(Looking):
    list_display = ("event", "number", "state", "attempt", "claimed_by", "tried", "total", "failure")
    list_filter = ("event", "state")
    list_select_related = ("event",)
