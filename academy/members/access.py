"""Who is a member, who a host, and who may open what a tier opens. The one home of these rules."""

from __future__ import annotations

from datetime import datetime

from django.contrib.auth.models import AnonymousUser
from django.http import Http404

from academy.members.models import Member, Tier

Person = Member | AnonymousUser
"""Whoever asks for a page, signed in or not."""


def as_member(person: Person) -> Member:
    """The person as the member that a view has made sure of. Raises Http404, should a visitor slip by."""
    if not isinstance(person, Member):
        raise Http404
    return person


def is_host(person: Person) -> bool:
    """Whether the person teaches and runs contests here."""
    return isinstance(person, Member) and person.is_host


def require_host(person: Person) -> Member:
    """The person as a host. Raises Http404 for anybody else: for them the host's pages are not there."""
    member = as_member(person)
    if not member.is_host:
        raise Http404
    return member


def rank_of(person: Person, now: datetime) -> int:
    """The highest rank of the tiers that the person holds now; -1 for none. Hosts hold all."""
    if not isinstance(person, Member):
        return -1
    if person.is_host:
        return 1_000_000
    ranks = [grant.tier.rank for grant in person.grants.select_related("tier") if grant.holds(now)]
    return max(ranks, default=-1)


def opens(rank: int, tier: Tier | None) -> bool:
    """Whether a rank, as `rank_of` gives it, opens what needs this tier. A list asks for the rank once."""
    return tier is None or rank >= tier.rank


def may_open(person: Person, tier: Tier | None, now: datetime) -> bool:
    """Whether the person may open what needs this tier; everybody may where it needs none."""
    return tier is None or opens(rank_of(person, now), tier)
