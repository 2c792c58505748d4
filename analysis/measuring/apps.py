"""Recipes and measurements: what the meter found in a recording."""

from django.apps import AppConfig


class MeasuringConfig(AppConfig):
    """Registers the room with Django."""

    name = "analysis.measuring"
    label = "measuring"
