"""Addresses of this room, all named `contests:…`."""

from django.urls import path

from contests.rounds import views

urlpatterns = [
    path("<slug:slug>/rounds/", views.rounds, name="host_rounds"),
    path("<slug:slug>/rounds/again/", views.again, name="host_hear_again"),
    path("<slug:slug>/rounds/prepare/", views.prepare, name="host_prepare_next"),
    path("<slug:slug>/rounds/anchors/", views.anchors, name="host_anchors"),
    path("<slug:slug>/rounds/own-mix/", views.own_mix, name="host_own_mix"),
]
