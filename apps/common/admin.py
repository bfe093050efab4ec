"""The back door for administrators: looking at rows, never writing them. What is written goes through actions."""

from django.contrib import admin
from django.db.models import Model
from django.http import HttpRequest


class Looking(admin.ModelAdmin):
    """Rows to look at."""

    show_full_result_count = False
    list_per_page = 50

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return False
