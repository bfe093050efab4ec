"""The addresses of the pages of publishing, below /e/<slug>/."""

from django.urls import URLPattern, path

from apps.publishing import batch_pages, hook_pages, notice_pages, sheet_pages, views

app_name = "publishing"
urlpatterns: list[URLPattern] = [
    path("batches/", batch_pages.Batches.as_view(), name="batches"),
    path("batches/<int:number>/", batch_pages.BatchPage.as_view(), name="batch"),
    path("devices/<int:pk>/", views.Line.as_view(), name="line"),
    path("review/", views.Review.as_view(), name="review"),
    path("decide/", views.Decide.as_view(), name="decide"),
    path("publish/", views.Publish.as_view(), name="publish"),
    path("sheets/", sheet_pages.Sheets.as_view(), name="sheets"),
    path("sheets/zone/<str:zone>/", sheet_pages.ZoneSheet.as_view(), name="zone-sheet"),
    path("sheets/<str:department>/", sheet_pages.DepartmentSheet.as_view(), name="sheet"),
    path("sheets/<str:department>/sheet.<str:suffix>", sheet_pages.SheetFile.as_view(), name="sheet-file"),
    path("sheets/<str:department>/<str:key>/", sheet_pages.DeviceSheet.as_view(), name="device"),
    path(
        "sheets/<str:department>/<str:key>/page.<str:suffix>",
        sheet_pages.DeviceSheet.as_view(),
        name="device-file",
    ),
    path("webhooks/", hook_pages.Hooks.as_view(), name="hooks"),
    path("webhooks/<int:pk>/", hook_pages.HookPage.as_view(), name="hook"),
    path("webhooks/<int:pk>/<int:delivery>/", hook_pages.DeliveryPage.as_view(), name="delivery"),
    path("notices/", notice_pages.Notices.as_view(), name="notices"),
]
