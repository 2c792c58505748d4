"""Throw away what has had its time, ask again for invitations that are due, and remind of what ends soon."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.db import transaction

from academy.members import granting, joining, letters
from academy.members.models import DoorCount, Grant, GrantSource, HeldList, MailedLink, Member
from academy.members.queries import in_force

COUNTS_KEPT = timedelta(days=1)  # far beyond the longest window
LINKS_KEPT = timedelta(days=7)  # so that an old one still says that it is old
LISTS_KEPT = timedelta(days=1)
REMINDED_BEFORE = timedelta(days=7)  # common practice, no source


def sweep(now: datetime) -> None:
    """Delete what nobody can need any more; have done what is due."""
    DoorCount.objects.filter(window_starts_at__lt=now - COUNTS_KEPT).delete()
    MailedLink.objects.filter(expires_at__lt=now - LINKS_KEPT).delete()
    HeldList.objects.filter(uploaded_at__lt=now - LISTS_KEPT).delete()
    if Member.objects.filter(invitation_due=True).exists():
        joining.request_invitations()
    _remind(now)


def _remind(now: datetime) -> None:
    """Write to whom a tier ends within the week, unless they hold it on, or a higher one. Once a grant.

    What is paid for renews itself, or its payer knows.
    """
    ending = Grant.objects.filter(in_force(now), ends_at__lte=now + REMINDED_BEFORE, member__is_active=True)
    for grant in ending.exclude(source=GrantSource.PAYMENT).select_related("member", "tier"):
        assert grant.ends_at is not None, "the question asked for an end"
        follows = grant.member.grants.filter(tier__rank__gte=grant.tier.rank, starts_at__lte=grant.ends_at)
        if not any(granting.lasts_beyond(one, grant.ends_at) for one in follows):
            with transaction.atomic():
                letters.membership_ends_soon(grant, now=now)
