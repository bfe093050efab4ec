"""All addresses of the service."""

from django.contrib import admin
from django.urls import include, path

from apps.publishing.notice_pages import NoNotices
from apps.publishing.sheet_pages import LivePage
from apps.registry.calendar_pages import FeedFile
from apps.spectrum.views import NewEvent

urlpatterns = [
    path("api/v1/", include("coordinator.api", namespace="api")),
    path("", include("apps.events.urls")),
    path("e/<slug:slug>/", include("apps.overview.urls")),
    path("events/new/", NewEvent.as_view(), name="new-event"),
    path("e/<slug:slug>/", include("apps.spectrum.urls")),
    path("e/<slug:slug>/", include("apps.registry.urls")),
    path("e/<slug:slug>/", include("apps.planning.urls")),
    path("e/<slug:slug>/", include("apps.publishing.urls")),
    path("e/<slug:slug>/", include("apps.onsite.urls")),
    path("u/<str:key>/", LivePage.as_view(), name="live"),
    path("calendar/<str:key>.ics", FeedFile.as_view(), name="feed"),
    path("no-notices/<str:key>/", NoNotices.as_view(), name="no-notices"),
    path("backdoor/", admin.site.urls),
]
