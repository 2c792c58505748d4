"""Doorbell: time to see who is to be reminded. A lost one costs five minutes."""

from __future__ import annotations

from celery import shared_task
from django.utils import timezone

from contests import reminding


@shared_task(ignore_result=True, expires=250)
def sweep_reminders() -> None:
    """Have reminders written that are due."""
    reminding.sweep(timezone.now())
