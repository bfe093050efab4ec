"""The addresses of the pages of publishing, below /e/<slug>/."""

from django.urls import URLPattern

app_name = "publishing"
urlpatterns: list[URLPattern] = []
