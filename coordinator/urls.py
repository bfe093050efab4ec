"""All addresses of the service."""

from django.urls import include, path

urlpatterns = [
    path("api/v1/", include("coordinator.api", namespace="api")),
]
