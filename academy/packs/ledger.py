"""The ledger of downloads and their limit: a row for each that is started, none for a range that goes on."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.conf import settings
from django.db import transaction
from django.db.models import F
from django.http import HttpRequest

from academy.members.models import Member
from academy.packs.models import Download, PackVersion, PublishedStem, SoundForm
from analysis.intake import delivery

DAY = timedelta(days=1)
TIMES_OVER = 20
"""What the pieces of one download may ask for, in sizes of the whole, before it counts as another one."""


class TooManyDownloads(Exception):
    """The member started as many downloads as a day allows; the sentence says when there are more."""

    def __init__(self, message: str, *, again_s: int) -> None:
        super().__init__(message)
        self.again_s = again_s


@transaction.atomic
def note_download(
    request: HttpRequest,
    *,
    version: PackVersion,
    form: SoundForm,
    stem: PublishedStem | None,
    size_bytes: int,
    etag: str,
    member: Member,
    now: datetime,
) -> None:
    """Write a row if this request starts a download. `stem` is None for the whole pack.

    The first byte starts one. So does any range when the member has not started on the thing within a day,
    or has asked for it `TIMES_OVER`: leaving out the first byte must not leave out the row. Raises
    TooManyDownloads where that would be one more than a day allows.
    """
    span = delivery.asked_span(request, size_bytes=size_bytes, etag=etag, may_hand_on=True)
    if request.method != "GET" or span is None:
        return
    start, asked_bytes = span
    own = Download.objects.filter(member=member, started_at__gt=now - DAY)
    earlier = own.filter(version=version, form=form, stem=stem).order_by("-started_at").first()
    if start > 0 and earlier is not None and earlier.asked_bytes < TIMES_OVER * size_bytes:
        Download.objects.filter(pk=earlier.pk).update(asked_bytes=F("asked_bytes") + asked_bytes)
        return
    Member.objects.select_for_update().get(pk=member.pk)  # so that two at once count one after the other
    started = own.order_by("started_at")
    if started.count() >= settings.PACK_DOWNLOADS_A_DAY:
        again = started[started.count() - settings.PACK_DOWNLOADS_A_DAY].started_at + DAY
        raise TooManyDownloads(_sentence(again - now), again_s=int((again - now).total_seconds()) + 1)
    Download.objects.create(
        pack=version.pack,
        version=version,
        form=form,
        stem=stem,
        member=member,
        started_at=now,
        asked_bytes=asked_bytes,
    )


def _sentence(wait: timedelta) -> str:
    hours = -(-int(wait.total_seconds()) // 3600)
    return (
        f"You have started {settings.PACK_DOWNLOADS_A_DAY} downloads within a day, which is all that one "
        f"member may. Within {hours} hour{'s' if hours > 1 else ''} you can go on; a download that broke off "
        "can be resumed now."
    )
