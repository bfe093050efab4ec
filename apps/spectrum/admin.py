"""Surroundings through the back door."""

from django.contrib import admin

from apps.common.admin import Looking
from apps.spectrum.models import Occupied, Outsider, Survey, TelevisionChannel


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
