"""Addresses of this room, all named `contests:…`. They say a contest's name and a code, no more."""

from django.urls import path

from contests.judging import hearing, views

urlpatterns = [
    path("", views.judging, name="judging"),
    path("conflicts/<slug:slug>/", views.conflicts, name="conflicts"),
    path("rounds/<slug:slug>/<int:number>/", views.desk, name="desk"),
    path("rounds/<slug:slug>/<int:number>/heard/", views.heard, name="heard"),
    path("rounds/<slug:slug>/<int:number>/submit/", views.submit_sorted, name="submit_sorted"),
    path("rounds/<slug:slug>/<int:number>/order/", views.submit_order, name="submit_order"),
    path("sheets/<slug:code>/", views.sheet, name="sheet"),
    path("sheets/<slug:code>/submit/", views.submit, name="submit_sheet"),
    path("sheets/<slug:code>/stand-aside/", views.leave, name="stand_aside"),
    path("hear/<slug:code>/<int:index>", hearing.hear, name="hear"),
]
