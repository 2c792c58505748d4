"""Stem packs: raw tracks, their terms and their downloads."""

from django.apps import AppConfig


class PacksConfig(AppConfig):
    """Registers the room with Django."""

    name = "academy.packs"
    label = "packs"
