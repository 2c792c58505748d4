"""`manage.py audit DIR`: what whoever mixes a folder of stems would trip over."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from analysis.measuring.audit_files import audit_folder
from analysis.measuring.audit_findings import Finding, Level
from analysis.measuring.management.columns import name_of


class Command(BaseCommand):
    """Audit a folder of stems; no database, no server."""

    help = (
        "Read every stem of a folder and say what whoever mixes them would trip over: rates, depths, "
        "lengths, silence, clipping, offsets, copies, turned polarity, names, and the sum of all at unity. "
        "An error (a file that cannot be read, an empty folder, another rate, two names that clash) makes "
        "the set unusable as it is; a warning should be looked into; a note is good to know. Exits 1 if "
        "there is an error, 2 if there is no such folder."
    )
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        """Describe the call."""
        parser.add_argument("folder", type=Path, metavar="DIR", help="a folder with one file a stem")
        parser.add_argument("--json", action="store_true", help="one JSON object a line and finding")

    def handle(self, *args: Any, **options: Any) -> None:
        """Print a line a finding, in the order of the files and then of the set."""
        folder: Path = options["folder"]
        if not folder.is_dir():
            raise CommandError(f"{folder} is no folder.", returncode=2)
        try:
            findings = audit_folder(folder)
        except OSError as error:
            raise CommandError(
                f"{folder} cannot be read: {error.strerror or error}.", returncode=2
            ) from error
        for finding in findings:
            self.stdout.write(_as_json(finding) if options["json"] else _as_text(finding))
        errors = sum(finding.level is Level.ERROR for finding in findings)
        if errors:
            raise CommandError(f"{errors} error{'s' if errors > 1 else ''} in {folder}.", returncode=1)


def _as_json(finding: Finding) -> str:
    return json.dumps(asdict(finding) | {"file": finding.file and name_of(finding.file)}, allow_nan=False)


def _as_text(finding: Finding) -> str:
    where = "the set" if finding.file is None else name_of(finding.file)
    return f"{finding.level.value}: {where}: {_printable(finding.message)}"


def _printable(message: str) -> str:
    """A sentence as a terminal can show it: a name inside may be no text."""
    return message.encode(errors="replace").decode()
