"""The site's frame: base page, look, and how numbers are written."""

from django.apps import AppConfig


class AcademyConfig(AppConfig):
    """Loads the worker app, so that doorbells rung by any process reach the same broker."""

    name = "academy"
    label = "academy"

    def ready(self) -> None:
        """Import the Celery app once Django is up."""
        import academy.config.celery  # noqa: F401  the import is the purpose
