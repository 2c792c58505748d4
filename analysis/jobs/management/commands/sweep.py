"""`manage.py sweep`: the operator's hand for what beat does by itself."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from analysis.intake.resumable import ending
from analysis.jobs import sweeping


class Command(BaseCommand):
    """Recover jobs whose worker died, ring again for those that wait, clear away uploads left lying."""

    help = (
        "Recover jobs whose worker died, ring again for jobs that nobody has taken, and throw away uploads "
        "that were begun and have rested for too long, and temporary files of processes that were killed."
    )

    def handle(self, *args: Any, **options: Any) -> None:
        """Sweep once and say what was done."""
        swept = sweeping.sweep()
        uploads = ending.sweep(timezone.now())
        self.stdout.write(
            f"jobs: {swept.recovered} recovered, {swept.given_up} given up, {swept.rung_again} rung again; "
            f"uploads: {uploads} thrown away"
        )
