"""Addresses of the voter, all named `contests:…`. They say a contest's name or a code, no more."""

from django.urls import path

from contests.voting import views

urlpatterns = [
    path("<slug:slug>/", views.vote, name="vote"),
    path("<slug:slug>/order/", views.order, name="vote_order"),
    path("<slug:slug>/submit/", views.submit, name="submit_ballot"),
    path("<slug:slug>/heard/", views.heard, name="vote_heard"),
    path("hear/<slug:code>/<int:index>", views.hear, name="hear_vote"),
]
