"""The addresses of logging in, of one's events, and of setting one up."""

from django.contrib.auth.views import LogoutView
from django.urls import path

from apps.events import map_pages, setting_up, views

E = "e/<slug:slug>/"

app_name = "events"
urlpatterns = [
    path("", views.Home.as_view(), name="home"),
    path("login/", views.LogIn.as_view(), name="log-in"),
    path("logout/", LogoutView.as_view(next_page="events:log-in"), name="log-out"),
    path("password/", views.Password.as_view(), name="password"),
    path("password/forgotten/", views.ForgottenPassword.as_view(), name="forgotten"),
    path("password/<str:uidb64>/<str:token>/", views.ChoosePassword.as_view(), name="choose-password"),
    path("invitation/<str:key>/", views.OpenInvitation.as_view(), name="invitation"),
    path(f"{E}set-up/zones/", setting_up.Zones.as_view(), name="zones"),
    path(f"{E}set-up/zones/<str:code>/", setting_up.ChangeZone.as_view(), name="zone"),
    path(f"{E}set-up/map/", map_pages.Map.as_view(), name="map"),
    path(f"{E}zones.geojson", map_pages.MapFile.as_view(), name="map-file"),
    path(f"{E}set-up/departments/", setting_up.Departments.as_view(), name="departments"),
    path(f"{E}set-up/departments/<str:code>/", setting_up.ChangeDepartment.as_view(), name="department"),
    path(f"{E}set-up/people/", setting_up.People.as_view(), name="people"),
    path(f"{E}set-up/people/<int:pk>/", setting_up.ChangeMember.as_view(), name="member"),
    path(
        f"{E}set-up/invitations/<int:pk>/",
        setting_up.WithdrawInvitation.as_view(),
        name="withdraw-invitation",
    ),
    path(f"{E}tokens/", setting_up.Tokens.as_view(), name="tokens"),
    path(f"{E}tokens/<str:key>/", setting_up.RevokeToken.as_view(), name="revoke-token"),
]
