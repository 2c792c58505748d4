"""The door for every upload: received, hashed, probed, sealed, and handed out again."""

from django.apps import AppConfig


class IntakeConfig(AppConfig):
    """Registers the room with Django."""

    name = "analysis.intake"
    label = "intake"
