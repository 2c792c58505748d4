"""Addresses of this room, all named `contests:…`."""

from django.urls import path

from contests.screening import views

urlpatterns = [
    path("<slug:slug>/screening/", views.screening, name="screening"),
    path("<slug:slug>/screening/findings/", views.findings, name="screening_findings"),
]
