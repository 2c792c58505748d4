"""`manage.py sweep`: the operator's hand for what beat does every half minute."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand

from analysis.jobs import sweeping


class Command(BaseCommand):
    """Recover jobs whose worker died and ring again for those that wait."""

    help = "Recover jobs whose worker died, and ring again for jobs that nobody has taken."

    def handle(self, *args: Any, **options: Any) -> None:
        """Sweep once and say what was done."""
        swept = sweeping.sweep()
        self.stdout.write(
            f"{swept.recovered} recovered, {swept.given_up} given up, {swept.rung_again} rung again"
        )
