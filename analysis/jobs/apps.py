"""The durable job table, its leases and its sweep; queue messages are only doorbells."""

from django.apps import AppConfig
from django.utils.module_loading import autodiscover_modules


class JobsConfig(AppConfig):
    """Registers the room, and lets every room announce its kinds of work."""

    name = "analysis.jobs"
    label = "jobs"

    def ready(self) -> None:
        """Import each room's `work` module, whose functions announce themselves."""
        autodiscover_modules("work")
