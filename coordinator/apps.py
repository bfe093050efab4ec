"""Registers the project's commands and system checks."""

from django.apps import AppConfig


class CoordinatorConfig(AppConfig):
    name = "coordinator"

    def ready(self) -> None:
        from coordinator import celery, checks  # noqa: F401, PLC0415 - both register themselves; needs the apps loaded
