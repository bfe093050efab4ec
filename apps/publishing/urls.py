"""The addresses of the pages of publishing, below /e/<slug>/."""

from django.urls import URLPattern, path

from apps.publishing import views

app_name = "publishing"
urlpatterns: list[URLPattern] = [
    path("review/", views.Review.as_view(), name="review"),
    path("decide/", views.Decide.as_view(), name="decide"),
    path("publish/", views.Publish.as_view(), name="publish"),
]
