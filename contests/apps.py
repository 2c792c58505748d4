"""Contests: entries, judging, standings, results."""

from django.apps import AppConfig


class ContestsConfig(AppConfig):
    """Registers the room with Django."""

    name = "contests"
    label = "contests"
