"""Addresses of the host's page of a vote, all named `contests:…`."""

from django.urls import path

from contests.voting import host_views

urlpatterns = [
    path("<slug:slug>/vote/", host_views.vote, name="host_vote"),
    path("<slug:slug>/vote/do/<slug:name>/", host_views.step, name="host_vote_step"),
    path("<slug:slug>/vote/ballots/", host_views.ballots, name="host_vote_ballots"),
]
