"""Addresses of the winners' own pages, all named `contests:…`."""

from django.urls import path

from contests.prizes import views

urlpatterns = [
    path("<slug:receipt>/", views.own_prizes, name="own_prizes"),
    path("<slug:receipt>/choose/", views.choose, name="choose_prize"),
    path("<slug:receipt>/<int:award_id>/<slug:act>/", views.answer, name="answer_prize"),
]
