"""Addresses of this room, all named `contests:…`."""

from django.urls import path

from contests.drafting import views

urlpatterns = [
    path("new/", views.new, name="new"),
    path("<slug:slug>/set-up/", views.set_up, name="set_up"),
    path("<slug:slug>/set-up/copy/", views.copy, name="copy"),
    path("<slug:slug>/set-up/<slug:name>/", views.sheet, name="set_up_sheet"),
]
