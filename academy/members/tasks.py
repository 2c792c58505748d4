"""Doorbell: time to throw away what has had its time. A lost one costs an hour."""

from __future__ import annotations

from celery import shared_task
from django.utils import timezone

from academy.members import sweeping


@shared_task(ignore_result=True, expires=1800)
def sweep_members() -> None:
    """Throw away old counts, links and lists."""
    sweeping.sweep(timezone.now())
