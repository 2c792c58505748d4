"""Throw away what has had its time: old counts, old links, lists that nobody took in."""

from __future__ import annotations

from datetime import datetime, timedelta

from academy.members.models import DoorCount, HeldList, MailedLink

COUNTS_KEPT = timedelta(days=1)  # far beyond the longest window
LINKS_KEPT = timedelta(days=7)  # so that an old one still says that it is old
LISTS_KEPT = timedelta(days=1)


def sweep(now: datetime) -> None:
    """Delete what nobody can need any more."""
    DoorCount.objects.filter(window_starts_at__lt=now - COUNTS_KEPT).delete()
    MailedLink.objects.filter(expires_at__lt=now - LINKS_KEPT).delete()
    HeldList.objects.filter(uploaded_at__lt=now - LISTS_KEPT).delete()
