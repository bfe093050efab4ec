"""The addresses of the pages of what is told from the site, below /e/<slug>/."""

from django.urls import path

from apps.onsite import views

app_name = "onsite"
urlpatterns = [
    path("reports/", views.Reports.as_view(), name="reports"),
    path("reports/<int:number>/", views.ReportPage.as_view(), name="report"),
]
