"""The addresses of the REST interface, version 1."""

from django.urls import path, re_path
from drf_spectacular.views import SpectacularJSONAPIView

from apps.events import api as events
from apps.onsite import api as onsite
from apps.overview import api as overview
from apps.planning import api as planning
from apps.planning import survey_api
from apps.planning.models import RunDocument
from apps.publishing import api as publishing
from apps.registry import api as registry
from apps.registry import permission_api as permissions
from apps.spectrum import api as spectrum

E = "events/<slug:slug>/"

app_name = "api"
urlpatterns = [
    path("openapi.json", SpectacularJSONAPIView.as_view(), name="openapi"),
    path("events/", events.EventList.as_view(), name="events"),
    path(E, events.EventDetail.as_view(), name="event"),
    path(f"{E}token/", events.TokenDetail.as_view(), name="token"),
    path(f"{E}zones/", events.ZoneList.as_view(), name="zones"),
    path(f"{E}zones.geojson", events.ZoneMap.as_view(), name="zones-map"),
    path(f"{E}zones/<slug:code>/", events.ZoneDetail.as_view(), name="zone"),
    path(f"{E}zones/<slug:code>/antennas/", registry.AntennasDetail.as_view(), name="antennas"),
    path(f"{E}departments/", events.DepartmentList.as_view(), name="departments"),
    path(f"{E}band-plan/", spectrum.BandPlanList.as_view(), name="band-plan"),
    path(f"{E}band-plan/<int:pk>/", spectrum.BandPlanDetail.as_view(), name="planned-range"),
    path(f"{E}taken-ranges/", spectrum.TakenRangeList.as_view(), name="taken-ranges"),
    path(f"{E}taken-ranges/<int:pk>/", spectrum.TakenRangeDetail.as_view(), name="taken-range"),
    path(f"{E}outsiders/", spectrum.OutsiderList.as_view(), name="outsiders"),
    path(f"{E}outsiders/<slug:code>/", spectrum.OutsiderDetail.as_view(), name="outsider"),
    path(f"{E}television/", spectrum.TelevisionList.as_view(), name="television"),
    path(f"{E}departments/<slug:code>/", events.DepartmentDetail.as_view(), name="department"),
    path(f"{E}departments/<slug:code>/sheet/", publishing.StandingSheet.as_view(), name="standing-sheet"),
    path(f"{E}catalogue/", registry.CatalogueList.as_view(), name="catalogue"),
    path(f"{E}kinds/", registry.KindList.as_view(), name="kinds"),
    path(f"{E}kinds/<slug:code>/", registry.KindDetail.as_view(), name="kind"),
    path(f"{E}registrations/", registry.RegistrationList.as_view(), name="registrations"),
    path(f"{E}registrations/accept/", registry.RegistrationsAccept.as_view(), name="registrations-accept"),
    path(
        f"{E}registrations/send-back/",
        registry.RegistrationsSendBack.as_view(),
        name="registrations-send-back",
    ),
    path(f"{E}registrations/<int:pk>/", registry.RegistrationDetail.as_view(), name="registration"),
    path(f"{E}hours.ics", registry.HoursCalendar.as_view(), name="hours-calendar"),
    path(f"{E}hours/", registry.HoursList.as_view(), name="hours"),
    path(f"{E}permissions/", permissions.PermissionList.as_view(), name="permissions"),
    path(f"{E}permissions/needed/", permissions.PermissionsNeeded.as_view(), name="permissions-needed"),
    path(f"{E}permissions/<slug:code>/", permissions.PermissionDetail.as_view(), name="permission"),
    path(f"{E}carriers/", registry.CarrierList.as_view(), name="carriers"),
    path(f"{E}runs/", planning.RunList.as_view(), name="runs"),
    path(f"{E}runs/<int:number>/", planning.RunDetail.as_view(), name="run"),
    path(
        f"{E}runs/<int:number>/problem/",
        planning.RunPaper.as_view(role=RunDocument.Role.PROBLEM),
        name="run-problem",
    ),
    path(
        f"{E}runs/<int:number>/result/",
        planning.RunPaper.as_view(role=RunDocument.Role.RESULT),
        name="run-result",
    ),
    path(f"{E}runs/<int:number>/cancel/", planning.RunCancel.as_view(), name="run-cancel"),
    path(f"{E}remedies/", planning.RemedyList.as_view(), name="remedies"),
    path(f"{E}remedies/<int:number>/", planning.RemedyDetail.as_view(), name="remedy"),
    path(f"{E}remedies/<int:number>/cancel/", planning.RemedyCancel.as_view(), name="remedy-cancel"),
    path(f"{E}runs/<int:number>/adopt/", planning.RunAdopt.as_view(), name="run-adopt"),
    path(f"{E}plan/", planning.PlanList.as_view(), name="plan"),
    path(f"{E}plan/approve/", planning.PlanApprove.as_view(), name="plan-approve"),
    path(f"{E}plan/lock/", planning.PlanLock.as_view(), name="plan-lock"),
    path(f"{E}plan/unlock/", planning.PlanUnlock.as_view(), name="plan-unlock"),
    path(f"{E}plan/take-back/", planning.PlanTakeBack.as_view(), name="plan-take-back"),
    path(f"{E}plan/breaches/", planning.PlanBreaches.as_view(), name="plan-breaches"),
    path(f"{E}plan/<slug:carrier>/", planning.PlanDetail.as_view(), name="plan-row"),
    path(f"{E}plan/<slug:carrier>/margin/", planning.PlanMargin.as_view(), name="plan-margin"),
    path(f"{E}surveys/", survey_api.SurveyList.as_view(), name="surveys"),
    path(f"{E}surveys/<int:number>/", survey_api.SurveyDetail.as_view(), name="survey"),
    path(f"{E}surveys/<int:number>/comparison/", survey_api.SurveyComparison.as_view(), name="comparison"),
    path(f"{E}surveys/zones/<slug:zone>/", survey_api.ZoneSuggestions.as_view(), name="suggestions"),
    path(f"{E}editions/", publishing.EditionList.as_view(), name="editions"),
    path(f"{E}editions/<int:number>/", publishing.EditionDetail.as_view(), name="edition"),
    path(f"{E}editions/<int:number>/sheet/", publishing.SheetView.as_view(), name="sheet"),
    path(f"{E}reports/", onsite.ReportList.as_view(), name="reports"),
    path(f"{E}reports/<int:number>/", onsite.ReportDetail.as_view(), name="report"),
    path(f"{E}reports/<int:number>/take/", onsite.ReportTake.as_view(), name="report-take"),
    path(f"{E}reports/<int:number>/answer/", onsite.ReportAnswer.as_view(), name="report-answer"),
    path(f"{E}journal/", overview.JournalList.as_view(), name="journal"),
    re_path(r"^(?P<rest>[\s\S]*)$", events.NotHere.as_view()),
]
