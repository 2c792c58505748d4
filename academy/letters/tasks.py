"""Doorbell: time to look for letters whose next try is due. A lost one costs a minute."""

from __future__ import annotations

from celery import shared_task
from django.utils import timezone

from academy.letters import sweeping


@shared_task(ignore_result=True, expires=50)
def sweep_letters() -> None:
    """Have due letters sent."""
    sweeping.sweep(timezone.now())
