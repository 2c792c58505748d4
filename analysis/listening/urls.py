"""Addresses of the booth's own parts. Copies are handed out by the rooms that know who may hear them."""

from django.urls import path, re_path

from analysis.listening import views

app_name = "listening"
urlpatterns = [
    re_path(r"^noise/(?P<level>-\d{1,2}\.\d)$", views.noise, name="noise"),
    path("self-test", views.self_test, name="self_test"),
]
