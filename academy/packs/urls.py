"""Addresses of this room."""

from django.urls import URLPattern

app_name = "packs"
urlpatterns: list[URLPattern] = []
