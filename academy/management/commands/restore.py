"""`manage.py restore FILE`: a site from its backup."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from academy.config.backups.archive import BackupRefused
from academy.config.backups.restoring import restore


class Command(BaseCommand):
    """Put a backup back."""

    help = (
        "Fill an empty, migrated site from a backup, on the same or on another database and shelf. Every "
        "file is compared with the manifest first; nothing is changed when one is not as it was written. "
        "Start the site only afterwards."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Describe the call."""
        parser.add_argument("file", type=Path, metavar="FILE", help="a backup")

    def handle(self, *args: Any, **options: Any) -> None:
        """Put it back and say how much there was."""
        try:
            found = restore(options["file"])
        except BackupRefused as refusal:
            raise CommandError(str(refusal), returncode=1) from refusal
        self.stderr.write(
            f"{found.rows} rows, {found.files} files with {found.size_bytes} bytes are back. Run `verify` to "
            "read every recording again."
        )
