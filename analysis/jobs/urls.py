"""Addresses for whoever watches the site."""

from django.urls import path

from analysis.jobs import views

app_name = "health"
urlpatterns = [
    path("live", views.live, name="live"),
    path("ready", views.ready, name="ready"),
]
