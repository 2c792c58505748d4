"""Addresses of the host's pages of prizes, all named `contests:…`."""

from django.urls import path

from contests.prizes import host_views

urlpatterns = [
    path("<slug:slug>/prizes/", host_views.prizes, name="host_prizes"),
    path("<slug:slug>/prizes/by-place/", host_views.give_by_place, name="host_prizes_by_place"),
    path("<slug:slug>/prizes/ask/", host_views.ask, name="host_prize_ask"),
    path("<slug:slug>/prizes/turns/<int:turn_id>/", host_views.pass_turn_on, name="host_prize_turn"),
    path("<slug:slug>/prizes/hand-outs/<int:award_id>/", host_views.award, name="host_prize_award"),
    path("<slug:slug>/prizes/<int:prize_id>/", host_views.give, name="host_prize_give"),
]
