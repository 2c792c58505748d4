"""Who may read a recall sheet. Not found and not allowed look the same: 404.

A lesson that shows a sheet makes it readable there: the lesson's own rule applies then, and this one is not
asked. On its own, a sheet is for those whose membership opens its pack.
"""

from __future__ import annotations

from datetime import datetime

from django.db.models import QuerySet
from django.http import Http404
from django.shortcuts import get_object_or_404

from academy.members.access import Eyes, Person, is_host, require_host
from academy.packs.access import may_fetch
from academy.packs.models import PackState, StemPack
from academy.recall.models import RecallSheet, SheetVersion


def sheets_for(person: Eyes) -> QuerySet[RecallSheet]:
    """The sheets that the person may know of: those shown of published packs, and for a host all."""
    sheets = RecallSheet.objects.select_related("pack__tier")
    if is_host(person):
        return sheets
    return sheets.filter(is_shown=True, pack__state=PackState.PUBLISHED)


def sheets_on_page(pack: StemPack, person: Eyes) -> QuerySet[RecallSheet]:
    """The sheets that the person may know of on the pack's page, for whoever sees that page at all."""
    sheets = RecallSheet.objects.select_related("pack__tier").filter(pack=pack)
    return sheets if is_host(person) else sheets.filter(is_shown=True)


def may_read(person: Person, sheet: RecallSheet, now: datetime) -> bool:
    """Whether the person may read a sheet that they may know of, on its own."""
    return is_host(person) or (sheet.pack is not None and may_fetch(person, sheet.pack, now))


def sheet_for(person: Person, slug: str, now: datetime) -> RecallSheet:
    """The sheet under an address. Raises Http404 where the person may not read it."""
    sheet = sheets_for(person).filter(slug=slug).first()
    if sheet is None or not may_read(person, sheet, now):
        raise Http404
    return sheet


def version_of(sheet: RecallSheet, number: int | None = None) -> SheetVersion:
    """A kept version, the last one without a number. Raises Http404 where there is none."""
    versions = sheet.versions.order_by("-number")
    found = (versions if number is None else versions.filter(number=number)).first()
    if found is None:
        raise Http404
    return found


def hosted_sheet(person: Person, slug: str) -> RecallSheet:
    """The sheet under an address for whoever teaches. Raises Http404 for everybody else."""
    require_host(person)
    return get_object_or_404(RecallSheet.objects.select_related("pack__tier"), slug=slug)
