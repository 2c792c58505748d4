"""Practice mixes: how a member's own mix differs from the reference."""

from django.apps import AppConfig


class PracticeConfig(AppConfig):
    """Registers the room with Django."""

    name = "academy.practice"
    label = "practice"
