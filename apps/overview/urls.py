"""The addresses of the pages that read across apps, below /e/<slug>/."""

from django.urls import path

from apps.overview import views

app_name = "overview"
urlpatterns = [
    path("", views.EventOverview.as_view(), name="event"),
    path("journal/", views.Journal.as_view(), name="journal"),
]
