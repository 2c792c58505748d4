"""`manage.py recount`: the standing again, from an export alone, without server or database."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from contests import signing
from contests.management.standing_lines import json_lines, table_lines
from contests.results.recounting import NoExport, recount
from contests.scoring.standing import Standing

LARGEST_BYTES = 500_000_000
"""5,000 entries heard by five judges each, on five criteria, with their log, come to about 30 MB."""
MOST_TOLD = 12


class Command(BaseCommand):
    """Recount an export."""

    help = (
        "Compute a contest's standing again from its export alone and compare it with what the file says. "
        "Prints the same lines as rank, entries by their receipts' references. Exit status 1, naming what "
        "does not agree, when anything in the file was altered. Compare the key's short form with the one "
        "on the site's page of results: a file signed with another key is not from there."
    )
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        """Describe the call."""
        parser.add_argument("file", type=Path, metavar="FILE", help="an export")
        parser.add_argument("--json", action="store_true", help="one JSON object a line")

    def handle(self, *args: Any, **options: Any) -> None:
        """Print the standing, then what does not agree."""
        try:
            found = recount(_text(options["file"]))
        except NoExport as refusal:
            raise CommandError(f"{options['file']}: {refusal}", returncode=1) from refusal
        if found.standing is not None:
            standing = _by_receipt(found.standing, found.receipts)
            for line in json_lines(standing) if options["json"] else table_lines(standing):
                self.stdout.write(line)
        self.stderr.write(f"Signed with the key {signing.short_form(found.key)}.")
        if found.problems:
            raise CommandError("\n".join(_told(found.problems)), returncode=1)
        self.stderr.write("Everything in the file agrees with the recount.")


def _told(problems: list[str]) -> list[str]:
    """One altered score moves every number computed from it; the first few say enough."""
    rest = len(problems) - MOST_TOLD
    more = [f"… and {rest} more."] if rest > 0 else []
    return ["This export does not hold:", *problems[:MOST_TOLD], *more]


def _text(path: Path) -> bytes:
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise NoExport("It is larger than any export.")
        return path.read_bytes()
    except OSError as exc:
        raise NoExport(f"It cannot be read: {exc.strerror}.") from exc


def _by_receipt(standing: Standing, receipts: dict[str, str]) -> Standing:
    """The same standing with its entries called by their receipts' references."""

    def called(entry: str) -> str:
        return receipts.get(entry, entry)

    return dataclasses.replace(
        standing,
        entries=tuple(dataclasses.replace(row, entry=called(row.entry)) for row in standing.entries),
        ties=tuple(
            dataclasses.replace(
                tie,
                entries=tuple(called(one) for one in tie.entries),
                steps=tuple(
                    dataclasses.replace(step, entries=tuple(called(one) for one in step.entries))
                    for step in tie.steps
                ),
                order=tuple(tuple(called(one) for one in group) for group in tie.order),
            )
            for tie in standing.ties
        ),
        separate=tuple(_by_receipt(part, receipts) for part in standing.separate),
    )
