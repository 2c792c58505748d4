"""The teacher's recall sheets of the song, version by version."""

from __future__ import annotations

from datetime import datetime, timedelta

from academy.members.models import Member
from academy.packs.models import StemPack
from academy.recall import sheets
from academy.recall.reading import read_sheet
from fixtures.sheets import SHEETS

BETWEEN_VERSIONS = timedelta(days=9)


def make_sheets(pack: StemPack, *, host: Member, now: datetime) -> None:
    """Every sheet with its versions, shown to those who may open the pack."""
    for said in SHEETS:
        (first_note, first_text), *later = said.versions
        kept_at = now - BETWEEN_VERSIONS * len(said.versions)
        row = sheets.create_sheet(read_sheet(first_text), pack=pack)
        sheets.keep_version(row, note=first_note, seen=row.draft_number, host=host, now=kept_at)
        for note, text in later:
            kept_at += BETWEEN_VERSIONS
            content = read_sheet(text)
            sheets.change_draft(row, lambda _, content=content: content, seen=row.draft_number)
            sheets.keep_version(row, note=note, seen=row.draft_number, host=host, now=kept_at)
        if said.is_shown:
            sheets.show(row)
