"""`manage.py rank`: a standing from a table of scores, without server or database."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from contests.management.standing_lines import json_lines, table_lines, why_separate
from contests.scoring.errors import SheetsRefused
from contests.scoring.sheets import read_scores, read_weights
from contests.scoring.standing import rank


class Command(BaseCommand):
    """Rank the entries of a table of scores."""

    help = (
        "Rank entries by their weighted scores, adjusted for their judges' severity. "
        "SCORES.csv has the columns entry,judge,criterion,score and, where a judge heard an entry more than "
        "once, repeat. Severity is positive for a judge who scores below the average judge; the effect is "
        "what the judge adds, the same with the other sign. Hearings count judges for an entry and entries "
        "for a judge. Exit status 1 when the table is refused or common entries do not link all judges."
    )
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        """Describe the call."""
        parser.add_argument(
            "scores", type=Path, metavar="SCORES.csv", help="entry,judge,criterion,score[,repeat]"
        )
        parser.add_argument(
            "--weights", type=Path, metavar="W.csv", help="criterion,weight; without it all count equally"
        )
        parser.add_argument("--json", action="store_true", help="one JSON object a line")

    def handle(self, *args: Any, **options: Any) -> None:
        """Print entries best first, then judges, then the summary."""
        try:
            weights = read_weights(options["weights"]) if options["weights"] else None
            standing = rank(read_scores(options["scores"]), weights)
        except SheetsRefused as refusal:
            raise CommandError(str(refusal), returncode=1) from refusal
        lines = json_lines(standing) if options["json"] else table_lines(standing)
        for line in lines:
            self.stdout.write(line)
        if not standing.summary.connected:
            raise CommandError(why_separate(standing), returncode=1)
