"""Reads about members."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.db.models import F, Prefetch, Q, QuerySet

from academy.members.models import Grant, Member, Tier


def in_force(now: datetime) -> Q:
    """What a grant must be to hold now."""
    return (Q(ends_at=None) | Q(ends_at__gt=now)) & Q(starts_at__lte=now)


def grants_in_force(member: Member, now: datetime) -> list[Grant]:
    """What the member holds now, the highest tier first and of equal ones the longest first."""
    return list(
        member.grants.select_related("tier")
        .filter(in_force(now))
        .order_by("-tier__rank", F("ends_at").desc(nulls_first=True))
    )


def grants_to_come(member: Member, now: datetime) -> list[Grant]:
    """What the member will hold, the next first."""
    coming = member.grants.select_related("tier").filter(starts_at__gt=now)
    return list(coming.exclude(ends_at__lte=F("starts_at")).order_by("starts_at"))


def grants_ever(member: Member) -> list[Grant]:
    """The member's whole history, the latest first."""
    return list(member.grants.select_related("tier", "given_by", "ended_by").order_by("-starts_at", "-pk"))


def members_found(words: str, tier: Tier | None, *, now: datetime) -> QuerySet[Member]:
    """Members whose name or address holds every word, and who hold the tier now if one is given, by name.

    Each with `held`, a list of the grants in force. Two queries, however many there are.
    """
    members = Member.objects.filter(is_active=True)
    for word in words.split():
        members = members.filter(Q(name__icontains=word) | Q(email__icontains=word))
    held = Grant.objects.filter(in_force(now))
    if tier is not None:
        members = members.filter(pk__in=held.filter(tier=tier).values("member"))
    ranked = held.select_related("tier").order_by("-tier__rank")
    return members.prefetch_related(Prefetch("grants", ranked, to_attr="held")).order_by("name", "pk")


@dataclass(frozen=True)
class TierLine:
    """One tier, what else it opens, and whether who asks holds it."""

    tier: Tier
    lower: list[Tier]
    is_held: bool


def tier_lines(rank: int) -> list[TierLine]:
    """Every tier, the lowest first, for somebody of this rank."""
    tiers = list(Tier.objects.order_by("rank"))
    return [TierLine(tier, tiers[:at], rank >= tier.rank) for at, tier in enumerate(tiers)]
