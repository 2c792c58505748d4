"""Addresses of this room, all named `contests:…`."""

from django.urls import path

from contests.entering import views

urlpatterns = [
    path("", views.contest_list, name="list"),
    path("receipts/", views.receipts, name="receipts"),
    path("entries/", views.my_entries, name="my_entries"),
    path("entries/<slug:receipt>/", views.entry_page, name="entry"),
    path("entries/<slug:receipt>/status/", views.entry_status, name="entry_status"),
    path("entries/<slug:receipt>/receipt.txt", views.entry_receipt, name="entry_receipt"),
    path("entries/<slug:receipt>/file/", views.entry_file, name="entry_file"),
    path("entries/<slug:receipt>/answer/", views.answer, name="answer_decision"),
    path("entries/<slug:receipt>/withdraw/", views.withdraw, name="withdraw"),
    path("<slug:slug>/", views.contest_page, name="contest"),
    path("<slug:slug>/dates.ics", views.dates, name="dates"),
    path("<slug:slug>/remind/", views.remind, name="remind"),
    path("<slug:slug>/enter/", views.enter, name="enter"),
]
