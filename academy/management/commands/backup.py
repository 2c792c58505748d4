"""`manage.py backup FILE`: the whole site in one file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from academy.config.backups.archive import BackupRefused
from academy.config.backups.writing import back_up


class Command(BaseCommand):
    """Back the site up."""

    help = (
        "Write database, recordings and everything else that is kept into one new file, with the SHA-256 of "
        "each. The site may go on meanwhile. The file holds personal data and secrets: keep it where only "
        "the operator reads it. Secrets from the environment and uploads under way are left out."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Describe the call."""
        parser.add_argument("file", type=Path, metavar="FILE", help="written anew, never over another file")

    def handle(self, *args: Any, **options: Any) -> None:
        """Write it and say how much there was."""
        try:
            found = back_up(options["file"], now=timezone.now())
        except BackupRefused as refusal:
            raise CommandError(str(refusal), returncode=1) from refusal
        self.stderr.write(f"{found.rows} rows, {found.files} files with {found.size_bytes} bytes.")
