"""Addresses of the contests, room by room."""

from django.urls import include, path

app_name = "contests"
urlpatterns = [
    path("", include("contests.entering.urls")),
    path("judging/", include("contests.judging.urls")),
    path("hosting/", include("contests.hosting.urls")),
    path("results/", include("contests.results.urls")),
]
