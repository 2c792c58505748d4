"""Match plans, listening copies and the booth that plays them."""

from django.apps import AppConfig


class ListeningConfig(AppConfig):
    """Registers the room with Django."""

    name = "analysis.listening"
    label = "listening"
