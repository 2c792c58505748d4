"""Recipes and measurements: what the meter found in a recording."""

from celery.signals import worker_init
from django.apps import AppConfig


class MeasuringConfig(AppConfig):
    """Registers the room with Django, and has a worker ready its meter before its first job."""

    name = "analysis.measuring"
    label = "measuring"

    def ready(self) -> None:
        """Wait for a worker to start; a page never comes here."""
        worker_init.connect(ready_the_meter)


def ready_the_meter(**_: object) -> None:
    """Warm the meter up once, before the worker divides into processes: they all inherit it.

    The trap: doing it in each of them can take longer than the four seconds that a new process is given to
    report for work, where nothing is kept from an earlier start; it would be ended and started for ever.
    """
    from analysis.dsp import meter

    meter.warm_up()
