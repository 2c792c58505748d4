"""Addresses of this room, all named `contests:…`."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
