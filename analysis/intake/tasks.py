"""Doorbell: time to throw away what rested for too long. A lost one costs a quarter of an hour."""

from __future__ import annotations

from celery import shared_task
from django.utils import timezone

from analysis.intake.resumable import ending


@shared_task(ignore_result=True, expires=600)
def sweep_uploads() -> None:
    """Throw away uploads that rested for too long."""
    ending.sweep(timezone.now())
