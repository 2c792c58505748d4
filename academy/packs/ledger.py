"""The ledger of downloads: one row a started download, none for a range that continues it."""

from __future__ import annotations

from datetime import datetime

from django.http import HttpRequest, HttpResponseBase

from academy.members.models import Member
from academy.packs.models import Download, Stem, StemPack


def note_download(
    request: HttpRequest,
    response: HttpResponseBase,
    *,
    pack: StemPack,
    member: Member,
    stem: Stem | None,
    now: datetime,
) -> None:
    """Write a row if this answer starts a download. `stem` is None for the whole pack.

    The first byte starts one. So does any range when the member never fetched the thing before: leaving out
    the first byte must not leave out the row.
    """
    if request.method != "GET" or response.status_code not in {200, 206}:
        return
    holds_first_byte = response.status_code == 200 or response["Content-Range"].startswith("bytes 0-")
    fetched = Download.objects.filter(pack=pack, member=member, stem=stem)
    if holds_first_byte or not fetched.exists():
        Download.objects.create(pack=pack, member=member, stem=stem, started_at=now)
