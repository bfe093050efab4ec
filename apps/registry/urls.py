"""The addresses of the pages of registry, below /e/<slug>/."""

from django.urls import URLPattern, path

from apps.registry import antenna_pages, calendar_pages, kind_pages, permission_pages, views

app_name = "registry"
urlpatterns: list[URLPattern] = [
    path("devices/new/", views.DeviceNew.as_view(), name="device-new"),
    path("devices/many/", views.DevicesMany.as_view(), name="devices-many"),
    path("devices/many/help/", views.DevicesManyHelp.as_view(), name="devices-many-help"),
    path("devices/kinds/", views.KindSearch.as_view(), name="device-kinds"),
    path("devices/help/", views.DeviceHelp.as_view(), name="device-help"),
    path("devices/<int:pk>/move/", views.DeviceMove.as_view(), name="device-move"),
    path("import/", views.Import.as_view(), name="import"),
    path("import/template.csv", views.Template.as_view(), name="template"),
    path("import/template.xlsx", views.Template.as_view(form="xlsx"), name="template-xlsx"),
    path("import/<int:pk>/", views.UploadPage.as_view(), name="upload"),
    path("import/<int:pk>/file/", views.UploadFile.as_view(), name="upload-file"),
    path("import/<int:pk>/progress/", views.UploadProgress.as_view(), name="upload-progress"),
    path("calendars/", calendar_pages.Calendars.as_view(), name="calendars"),
    path("calendars/<int:pk>/", calendar_pages.CalendarPage.as_view(), name="calendar"),
    path("calendars/<int:pk>/file.ics", calendar_pages.CalendarFile.as_view(), name="calendar-file"),
    path("calendars/<int:pk>/revoke/", calendar_pages.RevokeFeed.as_view(), name="revoke-feed"),
    path("set-up/zones/<slug:code>/antennas/", antenna_pages.ZoneAntennas.as_view(), name="antennas"),
    path("set-up/kinds/", kind_pages.Kinds.as_view(), name="kinds"),
    path("set-up/kinds/<slug:code>/", kind_pages.ChangeKind.as_view(), name="kind"),
    path("set-up/permissions/", permission_pages.Permissions.as_view(), name="permissions"),
    path("set-up/permissions/list.csv", permission_pages.PermissionFile.as_view(), name="permission-list"),
    path("set-up/permissions/new/", permission_pages.NewPermission.as_view(), name="permission-new"),
    path("set-up/permissions/answers/", permission_pages.Answers.as_view(), name="permission-answers"),
    path("set-up/permissions/<slug:code>/", permission_pages.ChangePermission.as_view(), name="permission"),
]
