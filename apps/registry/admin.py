"""Kinds, registrations and carriers through the back door."""

from django.contrib import admin

from apps.common.admin import Looking
from apps.registry.models import Batch, Carrier, Kind, Registration


@admin.register(Kind)
class KindAdmin(Looking):
    list_display = ("event", "code", "name", "use", "assigned")
    list_filter = ("event",)
    list_select_related = ("event",)


@admin.register(Registration)
class RegistrationAdmin(Looking):
    list_display = ("event", "department", "label", "kind", "zone", "quantity", "state")
    list_filter = ("event", "state")
    list_select_related = ("event", "department", "kind", "zone")
    search_fields = ("label", "external_id")


@admin.register(Carrier)
class CarrierAdmin(Looking):
    list_display = ("code", "registration", "role", "position", "held", "withdrawn")
    list_filter = ("event", "withdrawn")
    list_select_related = ("event", "registration__department", "role__kind")
    search_fields = ("code",)


@admin.register(Batch)
class BatchAdmin(Looking):
    list_display = ("event", "number", "act", "made_by", "made_at", "reason")
    list_filter = ("event", "act")
    list_select_related = ("event",)
