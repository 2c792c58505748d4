"""Doorbells of the contests' own clock. A lost one costs the time until the next: the rows are the truth."""

from __future__ import annotations

from celery import shared_task
from django.utils import timezone

from contests import reminding
from contests.prizes import erasing
from contests.results import publishing


@shared_task(ignore_result=True, expires=15)  # the next one is there by then
def publish_due() -> None:
    """Publish the results whose moment has come."""
    publishing.publish_due(timezone.now())


@shared_task(ignore_result=True, expires=1800)
def sweep_prizes() -> None:
    """Erase postal addresses and codes that have had their time."""
    erasing.erase_what_is_due(timezone.now())


@shared_task(ignore_result=True, expires=250)
def sweep_reminders() -> None:
    """Have reminders written that are due."""
    reminding.sweep(timezone.now())
