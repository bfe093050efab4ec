"""Surroundings through the back door."""

from django.contrib import admin

from apps.common.admin import Looking
from apps.spectrum.models import Occupied, Outsider, Permission, PlannedRange, Survey, TelevisionChannel


@admin.register(Occupied)
class OccupiedAdmin(Looking):
    list_display = ("event", "label", "low_hz", "high_hz", "source")
    list_filter = ("event",)
    list_select_related = ("event",)


@admin.register(Outsider)
class OutsiderAdmin(Looking):
    list_display = ("event", "code", "label", "frequency_hz", "zone")
    list_filter = ("event",)
    list_select_related = ("event", "zone")


@admin.register(PlannedRange)
class PlannedRangeAdmin(Looking):
    list_display = ("event", "label", "low_hz", "high_hz", "purpose", "hard")
    list_filter = ("event",)
    list_select_related = ("event",)


@admin.register(Permission)
class PermissionAdmin(Looking):
    list_display = (
        "event",
        "code",
        "state",
        "department",
        "low_hz",
        "high_hz",
        "authority",
        "reference",
        "until",
    )
    list_filter = ("event", "state")
    list_select_related = ("event", "department")


@admin.register(TelevisionChannel)
class TelevisionChannelAdmin(Looking):
    list_display = ("event", "raster", "name", "occupied", "source", "known_on")
    list_filter = ("event",)
    list_select_related = ("event",)


@admin.register(Survey)
class SurveyAdmin(Looking):
    list_display = ("event", "number", "zone", "name", "taken_at", "state", "points")
    list_filter = ("event",)
    list_select_related = ("event", "zone")
