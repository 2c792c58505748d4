"""Recall sheets: the settings of a chain, device by device, and the curves that they imply."""

from django.apps import AppConfig


class RecallConfig(AppConfig):
    """Registers the room with Django."""

    name = "academy.recall"
    label = "recall"
