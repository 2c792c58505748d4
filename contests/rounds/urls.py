"""Addresses of this room, all named `contests:…`."""

from django.urls import path

from contests.rounds import views

urlpatterns = [
    path("<slug:slug>/rounds/", views.rounds, name="host_rounds"),
    path("<slug:slug>/rounds/again/", views.again, name="host_hear_again"),
    path("<slug:slug>/rounds/prepare/", views.prepare, name="host_prepare_next"),
]
