"""Addresses of this room, all named `contests:…`."""

from django.urls import path

from contests.screening import views

urlpatterns = [
    path("<slug:slug>/screening/", views.screening, name="screening"),
    path("<slug:slug>/screening/findings/", views.findings, name="screening_findings"),
    path("<slug:slug>/entries/<slug:receipt>/", views.entry, name="host_entry"),
    path("<slug:slug>/entries/<slug:receipt>/file/", views.entry_file, name="host_entry_file"),
]
