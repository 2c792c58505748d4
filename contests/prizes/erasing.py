"""Erase what is private about a prize once it has had its time."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.conf import settings
from django.db.models import DateTimeField, F, Max, Q
from django.db.models.functions import Coalesce, Greatest

from contests.models import PrivateLine
from contests.states import AwardState

STILL_NEEDED = (AwardState.TOLD, AwardState.CONFIRMED, AwardState.SENT)


def erase_what_is_due(now: datetime) -> int:
    """Delete addresses and codes that have had their time; how many these were.

    A line has its time PRIZE_ADDRESS_DAYS after it was written or, if that was later, after the prize was
    sent. One whose hand-out has ended goes at once: ending erases it, so such a line came out of a backup.
    """
    sent_at = Max("award__moves__moved_at", filter=Q(award__moves__new_state=AwardState.SENT))
    lines = PrivateLine.objects.annotate(sent_at=sent_at).annotate(
        # An empty side must not swallow the other: databases differ in what Greatest makes of null.
        counted_from=Greatest(
            "written_at", Coalesce("sent_at", F("written_at")), output_field=DateTimeField()
        )
    )
    is_due = Q(counted_from__lte=now - timedelta(days=settings.PRIZE_ADDRESS_DAYS))
    due = lines.filter(is_due | ~Q(award__state__in=STILL_NEEDED)).values_list("pk", flat=True)
    number, _ = PrivateLine.objects.filter(pk__in=list(due)).delete()
    return number
