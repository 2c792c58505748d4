"""Letters to people: written once, sent once, switched off where not essential."""

from django.apps import AppConfig


class LettersConfig(AppConfig):
    """Registers the room with Django."""

    name = "academy.letters"
    label = "letters"
