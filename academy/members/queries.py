"""Reads about members."""

from __future__ import annotations

from datetime import datetime

from django.db.models import F, Q

from academy.members.models import Grant, Member


def grants_in_force(member: Member, now: datetime) -> list[Grant]:
    """What the member holds now, the highest tier first and of equal ones the longest first."""
    return list(
        member.grants.select_related("tier")
        .filter(Q(ends_at=None) | Q(ends_at__gt=now), starts_at__lte=now)
        .order_by("-tier__rank", F("ends_at").desc(nulls_first=True))
    )
