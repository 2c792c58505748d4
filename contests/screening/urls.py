"""Addresses of this room, all named `contests:…`."""

from django.urls import path

from contests.screening import views

urlpatterns = [
    path("<slug:slug>/screening/", views.screening, name="screening"),
    path("<slug:slug>/screening/findings/", views.noticed, name="screening_findings"),
    path("<slug:slug>/screening/hear/<int:copy_id>/<int:index>", views.hear, name="hear_finding"),
    path("<slug:slug>/entries/<slug:receipt>/", views.entry, name="host_entry"),
    path("<slug:slug>/entries/<slug:receipt>/booth/", views.booth_state, name="finding_booth"),
    path("<slug:slug>/entries/<slug:receipt>/prepare/", views.prepare, name="prepare_finding"),
    path("<slug:slug>/entries/<slug:receipt>/file/", views.entry_file, name="host_entry_file"),
]
