"""Addresses of the contests, room by room."""

from django.urls import include, path

app_name = "contests"
urlpatterns = [
    path("judging/", include("contests.judging.urls")),
    path("hosting/", include("contests.drafting.urls")),  # first: `new/` is no contest's name
    path("hosting/", include("contests.screening.urls")),
    path("hosting/", include("contests.prizes.host_urls")),
    path("hosting/", include("contests.rounds.urls")),
    path("hosting/", include("contests.voting.hosting_urls")),
    path("hosting/", include("contests.hosting.urls")),
    path("prizes/", include("contests.prizes.urls")),
    path("voting/", include("contests.voting.urls")),
    path("results/", include("contests.results.urls")),
    path("", include("contests.entering.urls")),  # last: its addresses begin with a contest's own name
]
