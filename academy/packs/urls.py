"""Addresses of this room."""

from django.urls import path

from academy.packs import views

app_name = "packs"
urlpatterns = [
    path("", views.pack_list, name="list"),
    path("<slug:slug>/", views.page, name="page"),
    path("<slug:slug>/terms/", views.accept, name="accept_terms"),
    path("<slug:slug>/building/", views.building_part, name="building"),
    path("<slug:slug>/archive/", views.archive, name="archive"),
    path("<slug:slug>/stems/<int:position>/", views.stem, name="stem"),
]
