"""Addresses of this room, all named `contests:…`."""

from django.urls import path

from contests.results import views

urlpatterns = [
    path("hear/<slug:code>/<int:index>", views.hear, name="hear_result"),
    path("scorecards/<slug:receipt>/", views.scorecard, name="scorecard"),
    path("certificates/<slug:receipt>/", views.certificate, name="certificate"),
    path(
        "certificates/<slug:receipt>/<slug:kind>.<slug:ending>",
        views.certificate_file,
        name="certificate_file",
    ),
    path("check/<slug:receipt>/", views.certificate_check, name="certificate_check"),
    path("<slug:slug>/", views.result, name="result"),
    path("<slug:slug>/standing/", views.standing, name="standings"),
    path("<slug:slug>/standing.csv", views.standing_table, name="standings_csv"),
    path("<slug:slug>/firmness/", views.firmness, name="firmness"),
    path("<slug:slug>/export.json", views.export, name="export"),
    path("<slug:slug>/decide/", views.decide, name="decide"),
    path("<slug:slug>/publish/", views.publish, name="publish"),
    path("<slug:slug>/schedule/", views.schedule, name="schedule"),
]
