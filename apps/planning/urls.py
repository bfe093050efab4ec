"""The addresses of the pages of planning, below /e/<slug>/."""

from django.urls import URLPattern

app_name = "planning"
urlpatterns: list[URLPattern] = []
