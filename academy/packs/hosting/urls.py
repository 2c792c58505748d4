"""Addresses of the desk, named `packs:hosting:…`."""

from django.urls import path

from academy.packs.hosting import intake, views

app_name = "hosting"
urlpatterns = [
    path("", views.pack_list, name="list"),
    path("new/", views.new_pack, name="new"),
    path("<slug:slug>/", views.desk, name="desk"),
    path("<slug:slug>/state/", views.state_part, name="state"),
    path("<slug:slug>/facts/", views.facts, name="facts"),
    path("<slug:slug>/terms/", views.terms_page, name="terms"),
    path("<slug:slug>/add/", intake.add, name="add"),
    path("<slug:slug>/reference/", intake.reference, name="reference"),
    path("<slug:slug>/audit/", views.audit, name="audit"),
    path("<slug:slug>/fix/", views.fix, name="fix"),
    path("<slug:slug>/publish/", views.publish, name="publish"),
    path("<slug:slug>/build/", views.build, name="build"),
    path("<slug:slug>/preview/", views.preview, name="preview"),
    path("<slug:slug>/ledger/", views.ledger_page, name="ledger"),
    path("<slug:slug>/stems/<int:stem_id>/", views.stem_page, name="stem"),
    path("<slug:slug>/stems/<int:stem_id>/move/", views.move, name="move"),
    path("<slug:slug>/stems/<int:stem_id>/remove/", views.remove, name="remove"),
    path("<slug:slug>/stems/<int:stem_id>/replace/", intake.replace, name="replace"),
]
