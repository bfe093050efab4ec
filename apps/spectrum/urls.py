"""The addresses of setting up what an event's ruleset and its surroundings are, below /e/<slug>/."""

from django.urls import path

from apps.spectrum import views

app_name = "spectrum"
urlpatterns = [
    path("rules/", views.Rules.as_view(), name="rules"),
    path("set-up/", views.ChangeEvent.as_view(), name="event"),
    path("set-up/surroundings/", views.Surroundings.as_view(), name="surroundings"),
    path("set-up/band-plan/", views.BandPlan.as_view(), name="band-plan"),
    path("set-up/band-plan/<int:pk>/", views.ChangePlannedRange.as_view(), name="planned-range"),
    path("set-up/television/", views.Television.as_view(), name="television"),
    path("set-up/surroundings/occupied/<int:pk>/", views.ChangeOccupied.as_view(), name="occupied"),
    path("set-up/surroundings/outsiders/<int:pk>/", views.ChangeOutsider.as_view(), name="outsider"),
]
