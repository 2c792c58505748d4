"""Addresses of this room."""

from django.urls import path

from academy.practice import hosting, views

app_name = "practice"
urlpatterns = [
    path("", views.mine, name="mine"),
    path("on/<slug:slug>/", views.pack, name="pack"),
    path("mixes/<slug:code>/", views.mix, name="mix"),
    path("mixes/<slug:code>/status/", views.mix_status, name="mix_status"),
    path("mixes/<slug:code>/booth/", views.booth, name="booth"),
    path("mixes/<slug:code>/booth/status/", views.booth_status, name="booth_status"),
    path("mixes/<slug:code>/progress/", views.progress, name="progress"),
    path("mixes/<slug:code>/report.json", views.export, name="export"),
    path("mixes/<slug:code>/again/", views.again, name="again"),
    path("mixes/<slug:code>/file/", views.file, name="file"),
    path("mixes/<slug:code>/ask/", views.ask, name="ask"),
    path("mixes/<slug:code>/share/", views.share, name="share"),
    path("mixes/<slug:code>/delete/", views.delete, name="delete"),
    path("mixes/<slug:code>/notes/", views.write_note, name="write_note"),
    path("notes/<int:note_id>/answer/", views.answer_note, name="answer_note"),
    path("notes/<int:note_id>/resolve/", views.resolve_note, name="resolve_note"),
    path("notes/<int:note_id>/take-back/", views.take_back_note, name="take_back_note"),
    path("copies/<int:copy_id>/segments/<int:index>", views.segment, name="segment"),
    path("shared/<slug:share_code>/", views.shared, name="shared"),
    path(
        "shared/<slug:share_code>/copies/<int:copy_id>/segments/<int:index>",
        views.shared_segment,
        name="shared_segment",
    ),
    path("hosting/", hosting.overview, name="hosting"),
    path("hosting/<slug:slug>/", hosting.pack, name="hosting_pack"),
    path("hosting/mixes/<slug:code>/answered/", hosting.answered, name="answered"),
]
