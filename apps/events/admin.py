"""Events and people through the back door. Whether somebody may log in at all is the one thing decided here."""

from django.contrib import admin
from django.http import HttpRequest

from apps.common.admin import Looking
from apps.events.models import Department, Event, Invitation, Membership, Person, Token, Zone


@admin.register(Person)
class PersonAdmin(Looking):
    """An account is closed, opened or made staff here; what people are in an event, coordinators say on its pages."""

    list_display = ("email", "name", "is_active", "is_staff", "last_login")
    list_filter = ("is_active", "is_staff")
    search_fields = ("email", "name")
    ordering = ("email",)
    fields = ("email", "name", "is_active", "is_staff", "last_login", "created_at")
    readonly_fields = ("email", "name", "last_login", "created_at")

    def has_change_permission(self, request: HttpRequest, obj: object = None) -> bool:
        return admin.ModelAdmin.has_change_permission(self, request)


@admin.register(Event)
class EventAdmin(Looking):
    list_display = ("slug", "name", "starts_on", "ends_on", "ruleset", "revision")
    search_fields = ("slug", "name")


@admin.register(Zone)
class ZoneAdmin(Looking):
    list_display = ("event", "code", "name", "east_m", "north_m")
    list_filter = ("event",)
    list_select_related = ("event",)


@admin.register(Department)
class DepartmentAdmin(Looking):
    list_display = ("event", "code", "name", "confidential")
    list_filter = ("event",)
    list_select_related = ("event",)


@admin.register(Membership)
class MembershipAdmin(Looking):
    list_display = ("event", "person", "role", "department")
    list_filter = ("event", "role")
    list_select_related = ("event", "person", "department")


@admin.register(Invitation)
class InvitationAdmin(Looking):
    list_display = ("event", "email", "role", "expires_at", "accepted_at", "withdrawn_at")
    list_select_related = ("event",)
    exclude = ("key_digest",)


@admin.register(Token)
class TokenAdmin(Looking):
    list_display = ("token_key", "user", "event", "department", "writes", "last_used_at", "expiry")
    list_select_related = ("user", "event", "department")
    exclude = ("digest",)
