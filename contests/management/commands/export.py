"""`manage.py export`: everything about a result in one file that anybody can recount."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from contests import signing
from contests.models import Contest
from contests.results.exporting import export_of
from contests.results.publishing import ResultRefused


class Command(BaseCommand):
    """Write a contest's export."""

    help = (
        "Write the export of a contest whose result is decided: entries and judges by number, rubric, "
        "assignments, how each was listened to, scores, standing and decision log, signed by this site. "
        "`recount FILE` computes the standing again from it alone. The reasons in the log are the host's own "
        "words: read them before you hand the file on; how judges listened is about persons, though they go "
        "by numbers. Exit status 1 when there is no such contest or no decided result."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Describe the call."""
        parser.add_argument("contest", metavar="CONTEST", help="the contest's name in its address")
        parser.add_argument("file", type=Path, metavar="FILE", help="written anew, never over another file")

    def handle(self, *args: Any, **options: Any) -> None:
        """Write the file and say whose key signed it."""
        contest = Contest.objects.filter(slug=options["contest"]).first()
        if contest is None:
            known = ", ".join(Contest.objects.values_list("slug", flat=True)) or "none yet"
            raise CommandError(
                f"There is no contest “{options['contest']}”. There are: {known}.", returncode=1
            )
        try:
            text = export_of(contest)
            with options["file"].open("xb") as file:
                file.write(text)
        except ResultRefused as refusal:
            raise CommandError(str(refusal), returncode=1) from refusal
        except FileExistsError as exc:
            raise CommandError(f"{options['file']} exists already; give another name.", returncode=1) from exc
        except OSError as exc:
            raise CommandError(f"{options['file']} cannot be written: {exc.strerror}.", returncode=1) from exc
        key = signing.short_form(signing.public_key())
        self.stderr.write(f"{options['file']}: {len(text)} bytes, signed with the key {key}.")
