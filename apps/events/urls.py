"""The addresses of logging in, of one's events, and of setting one up."""

from django.contrib.auth.views import LogoutView
from django.urls import path

from apps.events import views

app_name = "events"
urlpatterns = [
    path("", views.Home.as_view(), name="home"),
    path("login/", views.LogIn.as_view(), name="log-in"),
    path("logout/", LogoutView.as_view(next_page="events:log-in"), name="log-out"),
    path("password/", views.Password.as_view(), name="password"),
]
