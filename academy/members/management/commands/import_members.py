"""`manage.py import_members FILE.csv`: a list of members from elsewhere."""

from __future__ import annotations

import json
from argparse import RawDescriptionHelpFormatter
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from academy.members import importing, memberlists
from academy.members.importing import Outcome, Report, Row
from academy.members.memberlists import COLUMNS, ListRefused

WORDS = {
    Outcome.NEW: "new member",
    Outcome.GRANTED: "tier given",
    Outcome.UNCHANGED: "unchanged",
    Outcome.REFUSED: "refused",
}


class Command(BaseCommand):
    """Import a list of members."""

    help = (
        "Make accounts and give tiers from a CSV file in UTF-8, with commas, semicolons or tabs.\n"
        "All rows or none: exits 1, with nothing written, when a row is refused; --take-good\n"
        "takes the others. Doing it twice gives nothing twice.\n\n"
        "Columns, named in the first line, in any order:\n"
        + "\n".join(f"  {name:<7} {words}" for name, words in COLUMNS.items())
    )

    def create_parser(self, prog_name: str, subcommand: str, **more: Any) -> CommandParser:
        """Keep the lines of the help as they are."""
        parser = super().create_parser(prog_name, subcommand, **more)
        parser.formatter_class = RawDescriptionHelpFormatter
        return parser

    def add_arguments(self, parser: CommandParser) -> None:
        """Describe the call."""
        parser.add_argument("file", type=Path, metavar="FILE.csv", help="the list")
        parser.add_argument("--dry-run", action="store_true", help="say what would be done, and do nothing")
        parser.add_argument(
            "--take-good", action="store_true", help="take the good rows although others are refused"
        )
        parser.add_argument(
            "--invite", action="store_true", help="write to each new member, with a link to a pass phrase"
        )
        parser.add_argument("--json", action="store_true", help="one JSON object a row")

    def handle(self, *args: Any, **options: Any) -> None:
        """Import, and say what became of each row."""
        path: Path = options["file"]
        try:
            with path.open("rb") as file:
                content = file.read(memberlists.LARGEST_BYTES + 1)
        except (OSError, ValueError) as exc:
            reason = exc.strerror if isinstance(exc, OSError) else str(exc)
            raise CommandError(f"{path}: cannot be read: {reason}.", returncode=2) from exc
        try:
            report = importing.import_members(
                memberlists.text_of(content),
                now=timezone.now(),
                dry_run=options["dry_run"],
                take_good=options["take_good"],
                invite=options["invite"],
            )
        except ListRefused as exc:
            raise CommandError(f"{path}: {exc}", returncode=1) from exc
        for row in report.rows:
            self._print(row, as_json=options["json"])
        self._sum_up(report, dry_run=options["dry_run"])

    def _print(self, row: Row, *, as_json: bool) -> None:
        line, trouble = row.line, row.line.trouble
        if as_json:
            said = {
                "line": line.number,
                "email": line.email or None,
                "tier": line.tier.slug if line.tier else None,
                "outcome": row.outcome,
                "error": {"code": trouble.code, "message": trouble.words} if trouble else None,
            }
            self.stdout.write(json.dumps(said))
        elif trouble is None:
            tier = f", {line.tier}" if line.tier else ""
            self.stdout.write(f"line {line.number}: {line.email}{tier}: {WORDS[row.outcome]}")
        if trouble is not None:
            self.stderr.write(f"line {line.number}: {line.email or 'no address'}: {trouble.words}")

    def _sum_up(self, report: Report, *, dry_run: bool) -> None:
        counts = report.counts
        said = ", ".join(f"{counts[outcome]} {words}" for outcome, words in WORDS.items() if counts[outcome])
        refused = counts[Outcome.REFUSED]
        if dry_run:
            self.stderr.write(f"{said}. Nothing was written: this was a dry run.")
        elif not report.is_taken:
            self.stderr.write(
                f"{said}. Nothing was written: correct the rows, or take the good ones by --take-good."
            )
        else:
            self.stderr.write(f"{said}.")
        if refused:
            raise CommandError(f"{refused} of {len(report.rows)} rows refused.", returncode=1)
