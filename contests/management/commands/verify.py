"""`manage.py verify`: are the recordings and the decision logs what they were, or is a receipt genuine?"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from analysis.intake.rehashing import rehashed
from contests import decisions
from contests.entering.receipts import check_receipt
from contests.models import Contest

LARGEST_RECEIPT_BYTES = 100_000


class Command(BaseCommand):
    """Verify recordings and decision logs, or receipts."""

    help = (
        "Read every recording again and compare it with its SHA-256, and walk every contest's decision log "
        "from hash to hash. With files: check signed receipts instead. Prints one line for each recording or "
        "log that does not hold and for each receipt. Exit status 1 when anything does not hold."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Describe the call."""
        parser.add_argument("receipts", nargs="*", type=Path, metavar="RECEIPT", help="a signed receipt")

    def handle(self, *args: Any, **options: Any) -> None:
        """Check, and say how it came out."""
        if options["receipts"]:
            wrong = sum(not self._holds_receipt(path) for path in options["receipts"])
            if wrong:
                raise CommandError(f"{wrong} of {len(options['receipts'])} are not genuine.", returncode=1)
            return
        recordings, wrong_recordings = self._recordings()
        logs, wrong_logs = self._logs()
        if wrong_recordings or wrong_logs:
            raise CommandError(
                f"{wrong_recordings} of {recordings} recordings and {wrong_logs} of {logs} decision logs "
                "do not hold.",
                returncode=1,
            )
        self.stderr.write(
            f"{recordings} recording{'' if recordings == 1 else 's'} and {logs} "
            f"decision log{'' if logs == 1 else 's'} hold."
        )

    def _recordings(self) -> tuple[int, int]:
        read = wrong = 0
        for found in rehashed():
            read += 1
            if found.trouble:
                wrong += 1
                self.stdout.write(f"{found.recording} ({found.recording.original_name}) {found.trouble}")
        return read, wrong

    def _logs(self) -> tuple[int, int]:
        walked = wrong = 0
        for contest in Contest.objects.order_by("pk"):
            walked += 1
            if (line := decisions.first_broken_line(contest)) is not None:
                wrong += 1
                self.stdout.write(f"decision log of {contest.slug}: line {line} does not follow")
        return walked, wrong

    def _holds_receipt(self, path: Path) -> bool:
        try:
            with path.open("rb") as file:
                text = file.read(LARGEST_RECEIPT_BYTES).decode()
        except OSError as exc:
            self.stdout.write(f"{path}: cannot be read: {exc.strerror}.")
            return False
        except UnicodeDecodeError:
            self.stdout.write(f"{path}: not genuine. This is no signed receipt: it is not text in UTF-8.")
            return False
        check = check_receipt(text)
        word = "genuine" if check.is_genuine else "not genuine"
        self.stdout.write(f"{path}: {word}. {check.words}")
        return check.is_genuine
