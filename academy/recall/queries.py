"""Reads about recall sheets, with their joins."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Max, QuerySet

from academy.members.access import Eyes, is_host, is_member, opens, rank_of
from academy.packs.models import StemPack
from academy.recall.access import sheets_for, sheets_on_page
from academy.recall.chain import Place, where
from academy.recall.models import RecallSheet, SheetVersion

PLACE_ORDER = [Place.TRACK, Place.GROUP, Place.TWO_BUS]


@dataclass(frozen=True)
class SheetLine:
    """One sheet as this person finds it in the list."""

    sheet: RecallSheet
    title: str
    where: str
    version_number: int
    is_open: bool


def sheets_listed(person: Eyes, now: datetime, *, pack: StemPack | None = None) -> list[SheetLine]:
    """The sheets that the person may know of, of one pack or pack by pack: tracks, groups, the two-bus.

    For a reader, what their last versions say; sheets without one are only in a host's own list.
    """
    rank = rank_of(person, now)
    lines = []
    known = sheets_for(person).exclude(pack=None) if pack is None else sheets_on_page(pack, person)
    for sheet, version in _with_last_version(known):
        content = version.content_sheet()
        own = sheet.pack
        assert own is not None  # by the filter above
        is_open = is_host(person) or (is_member(person) and opens(rank, own.tier))
        order = (own.title, PLACE_ORDER.index(content.place), content.title)
        lines.append((order, SheetLine(sheet, content.title, where(content), version.number, is_open)))
    return [line for _, line in sorted(lines, key=lambda pair: pair[0])]


def sheets_hosted() -> QuerySet[RecallSheet]:
    """Every sheet by pack and title, each with `last_number`, which is None before a version is kept."""
    sheets = RecallSheet.objects.select_related("pack").annotate(last_number=Max("versions__number"))
    return sheets.order_by("pack__title", "title")


def versions_of(sheet: RecallSheet) -> list[SheetVersion]:
    """The kept versions, the last one first."""
    return list(sheet.versions.select_related("kept_by").order_by("-number"))


def _with_last_version(sheets: QuerySet[RecallSheet]) -> list[tuple[RecallSheet, SheetVersion]]:
    found = {sheet.pk: sheet for sheet in sheets}
    last: dict[int, SheetVersion] = {}
    for version in SheetVersion.objects.filter(sheet__in=found).order_by("number"):
        last[version.sheet_id] = version
    return [(found[pk], version) for pk, version in last.items()]
