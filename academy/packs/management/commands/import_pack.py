"""`manage.py import_pack DIR --title …`: a folder of raw tracks becomes a pack."""

from __future__ import annotations

import json
from argparse import ArgumentTypeError
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone
from django.utils.text import slugify

from academy.members.models import Member, Tier
from academy.packs.importing import Row, import_pack, tracks_in
from academy.packs.publishing import PackRefused
from analysis.measuring import audit_files


def tempo(text: str) -> Decimal:
    """A tempo in beats a minute."""
    try:
        found = Decimal(text)
    except InvalidOperation:
        found = Decimal("NaN")
    if not (found.is_finite() and 0 < found < 10_000):
        raise ArgumentTypeError(f"{text} is no tempo in beats a minute, such as 96 or 96.5")
    return found


class Command(BaseCommand):
    """Import a folder of stems."""

    help = (
        "Make a stem pack of the WAV and FLAC files in a folder, in the order of their names, and audit "
        "them. Exits 1, with nothing kept, when a file is refused."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Describe the call."""
        parser.add_argument("folder", type=Path, metavar="DIR", help="a folder with one file a stem")
        parser.add_argument("--title", required=True, help="what the pack is called")
        parser.add_argument(
            "--terms", type=Path, required=True, metavar="FILE", help="the terms, as Markdown in UTF-8"
        )
        parser.add_argument("--slug", help="its address; made from the title when left out")
        parser.add_argument("--artist", default="", help="whose song it is")
        parser.add_argument("--key", default="", help="such as “D minor”")
        parser.add_argument("--tempo", type=tempo, metavar="BPM", help="in beats a minute")
        parser.add_argument("--notes", type=Path, metavar="FILE", help="notes, as Markdown in UTF-8")
        parser.add_argument("--credits", type=Path, metavar="FILE", help="credits, as Markdown in UTF-8")
        parser.add_argument(
            "--tier", metavar="SLUG", help="the tier that opens it; without one, every member"
        )
        parser.add_argument("--owner", metavar="EMAIL", help="the member whose recordings these are")
        parser.add_argument("--reference", type=Path, metavar="FILE", help="the teacher's own mix")
        parser.add_argument("--publish", action="store_true", help="publish it at once")
        parser.add_argument("--json", action="store_true", help="one JSON object a file")

    def handle(self, *args: Any, **options: Any) -> None:
        """Import, and say what became of each file."""
        folder: Path = options["folder"]
        if not folder.is_dir():
            raise CommandError(f"{folder} is no folder.", returncode=2)
        facts = {
            "slug": options["slug"] or slugify(options["title"]),
            "title": options["title"],
            "terms": _text_of(options["terms"]),
            "artist": options["artist"],
            "key": options["key"],
            "tempo_bpm": options["tempo"],
            "notes": _text_of(options["notes"]),
            "credits": _text_of(options["credits"]),
            "tier": _tier(options["tier"]),
        }
        try:
            pack, rows = import_pack(
                folder,
                reference=options["reference"],
                owner=_member(options["owner"]),
                publish=options["publish"],
                now=timezone.now(),
                **facts,
            )
        except PackRefused as exc:
            raise CommandError(str(exc), returncode=1) from exc
        except OSError as exc:
            raise CommandError(f"{exc.filename or folder}: {exc.strerror or exc}.", returncode=1) from exc
        for row in rows:
            self._print(row, as_json=options["json"])
        if pack is None:
            refused = sum(row.error is not None for row in rows)
            raise CommandError(
                f"{refused} of {len(rows)} files were refused, so nothing was imported.", returncode=1
            )
        self._print_audit(folder, options["reference"])
        self.stderr.write(f"{pack}: {pack.get_state_display()}, at /packs/{pack.slug}/")

    def _print_audit(self, folder: Path, reference: Path | None) -> None:
        """Say what whoever mixes the stems would trip over; the desk shows the same, with its fixes."""
        tracks = tracks_in(folder, leave_out=reference)
        findings = audit_files.audit_names([path.name for path in tracks])
        findings += audit_files.audit_stems([audit_files.Stem(path.name, path) for path in tracks])
        for finding in findings:
            self.stderr.write(f"{finding.level.value}: {finding.file or 'the set'}: {finding.message}")

    def _print(self, row: Row, *, as_json: bool) -> None:
        role = "reference mix" if row.stem is None else row.stem
        if as_json:
            error = None if row.error is None else {"code": row.error[0], "message": row.error[1]}
            self.stdout.write(json.dumps({"file": row.file, "stem": row.stem, "error": error}))
        elif row.error is None:
            self.stdout.write(f"{row.file}: {role}")
        if row.error is not None:
            self.stderr.write(f"{row.file}: {row.error[1]}")


def _text_of(path: Path | None) -> str:
    if path is None:
        return ""
    try:
        return path.read_text(encoding="utf-8")
    except OSError as exc:
        raise CommandError(f"{path}: {exc.strerror}.", returncode=2) from exc
    except UnicodeDecodeError as exc:
        raise CommandError(f"{path} is no UTF-8 text.", returncode=2) from exc


def _tier(slug: str | None) -> Tier | None:
    if slug is None:
        return None
    found = Tier.objects.filter(slug=slug).first()
    if found is None:
        known = ", ".join(Tier.objects.values_list("slug", flat=True)) or "none yet"
        raise CommandError(f"There is no tier “{slug}”. The tiers: {known}.", returncode=2)
    return found


def _member(email: str | None) -> Member | None:
    if email is None:
        return None
    found = Member.objects.filter(email=email.strip().lower()).first()
    if found is None:
        raise CommandError(f"No member has the address {email}.", returncode=2)
    return found
