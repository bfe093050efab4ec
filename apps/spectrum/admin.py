"""Surroundings through the back door."""

from django.contrib import admin

from apps.common.admin import Looking
from apps.spectrum.models import Occupied, Outsider


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
