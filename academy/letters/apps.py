"""Letters to people: written once, sent once, switched off where not essential."""

from django.apps import AppConfig
from django.utils.module_loading import autodiscover_modules


class LettersConfig(AppConfig):
    """Registers the room, and lets every room announce its kinds of letter."""

    name = "academy.letters"
    label = "letters"

    def ready(self) -> None:
        """Import each room's `letters` module, which announces its kinds."""
        autodiscover_modules("letters")
