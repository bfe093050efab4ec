"""The addresses of the pages of registry, below /e/<slug>/."""

from django.urls import URLPattern

app_name = "registry"
urlpatterns: list[URLPattern] = []
