"""The addresses of the pages of planning, below /e/<slug>/."""

from django.urls import URLPattern, path

from apps.planning import site_pages, survey_pages, views

app_name = "planning"
urlpatterns: list[URLPattern] = [
    path("devices/", views.DeviceList.as_view(), name="devices"),
    path("devices/decide/", views.Decide.as_view(), name="decide"),
    path("devices/export.csv", views.Export.as_view(), name="export"),
    path("devices/export.xlsx", views.Export.as_view(form="xlsx"), name="export-xlsx"),
    path("runs/", views.Runs.as_view(), name="runs"),
    path("runs/<int:number>/", views.RunPage.as_view(), name="run"),
    path("runs/<int:number>/progress/", views.RunProgress.as_view(), name="run-progress"),
    path("site/", site_pages.SitePage.as_view(), name="site"),
    path("site/<str:listener>/<str:sender>/", site_pages.PairPage.as_view(), name="pair"),
    path("set-up/next/", views.NextEvent.as_view(), name="next"),
    path("surveys/", survey_pages.Surveys.as_view(), name="surveys"),
    path("surveys/<int:number>/", survey_pages.SurveyPage.as_view(), name="survey"),
    path("surveys/<int:number>/progress/", survey_pages.SurveyProgress.as_view(), name="survey-progress"),
    path("surveys/<int:number>/file/", survey_pages.SurveyFile.as_view(), name="survey-file"),
    path("surveys/zones/<slug:zone>/", survey_pages.ZoneSurveys.as_view(), name="zone-surveys"),
    path("remedies/", views.Remedies.as_view(), name="remedies"),
    path("remedies/progress/", views.RemediesProgress.as_view(), name="remedies-progress"),
    path("breaches/", views.Breaches.as_view(), name="breaches"),
    path("review/<slug:code>/", views.Frequency.as_view(), name="frequency"),
]
