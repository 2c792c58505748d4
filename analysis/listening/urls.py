"""Addresses of this room."""

from django.urls import URLPattern

app_name = "listening"
urlpatterns: list[URLPattern] = []
