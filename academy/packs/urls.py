"""Addresses of this room. Whatever is handed out lies under the number of its version."""

from django.urls import include, path, re_path

from academy.packs import views

app_name = "packs"

VERSION = r"^(?P<slug>[-\w]+)/versions/(?P<number>[1-9]\d{0,5})/"
FORM = r"(?P<form>wav|flac)/"

urlpatterns = [
    path("", views.pack_list, name="list"),
    path("hosting/", include("academy.packs.hosting.urls")),
    path("<slug:slug>/", views.page, name="page"),
    path("<slug:slug>/terms/", views.accept, name="accept_terms"),
    path("<slug:slug>/building/", views.building_part, name="building"),
    re_path(VERSION + "$", views.version, name="version"),
    re_path(VERSION + FORM + "archive/$", views.archive, name="archive"),
    re_path(VERSION + FORM + r"stems/(?P<position>\d{1,5})/$", views.stem, name="stem"),
    re_path(VERSION + r"listening/(?P<position>\d{1,5})/(?P<index>\d{1,6})$", views.segment, name="segment"),
]
