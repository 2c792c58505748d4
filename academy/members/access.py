"""Who is a member, who a host, and who may open what a tier opens. The one home of these rules."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.contrib.auth.models import AnonymousUser
from django.http import Http404

from academy.members.models import Member, Tier

Person = Member | AnonymousUser
"""Whoever asks for a page, signed in or not."""

VISITOR, ANY_MEMBER = "visitor", "member"


@dataclass(frozen=True)
class Imagined:
    """Somebody through whose eyes a host looks at a page: a visitor, any member, or a tier's holder."""

    words: str
    is_member: bool
    rank: int


Eyes = Person | Imagined
"""For whom a page is drawn up: whoever asks, or somebody imagined."""


def imagined_people() -> dict[str, Imagined]:
    """Everybody through whose eyes a host may look, by the word that chooses them; the visitor first."""
    return {
        VISITOR: Imagined("a visitor", False, -1),
        ANY_MEMBER: Imagined("a member without a tier", True, -1),
        **{
            f"tier-{tier.slug}": Imagined(f"a member of {tier.name}", True, tier.rank)
            for tier in Tier.objects.all()
        },
    }


def as_member(person: Person) -> Member:
    """The person as the member that a view has made sure of. Raises Http404, should a visitor slip by."""
    if not isinstance(person, Member):
        raise Http404
    return person


def is_host(person: Eyes) -> bool:
    """Whether the person teaches and runs contests here."""
    return isinstance(person, Member) and person.is_host


def is_member(person: Eyes) -> bool:
    """Whether the person has an account here."""
    return person.is_member if isinstance(person, Imagined) else isinstance(person, Member)


def require_host(person: Person) -> Member:
    """The person as a host. Raises Http404 for anybody else: for them the host's pages are not there."""
    member = as_member(person)
    if not member.is_host:
        raise Http404
    return member


def rank_of(person: Eyes, now: datetime) -> int:
    """The highest rank of the tiers that the person holds now; -1 for none. Hosts hold all."""
    if isinstance(person, Imagined):
        return person.rank
    if not isinstance(person, Member):
        return -1
    if person.is_host:
        return 1_000_000
    ranks = [grant.tier.rank for grant in person.grants.select_related("tier") if grant.holds(now)]
    return max(ranks, default=-1)


def opens(rank: int, tier: Tier | None) -> bool:
    """Whether a rank, as `rank_of` gives it, opens what needs this tier. A list asks for the rank once."""
    return tier is None or rank >= tier.rank


def may_open(person: Eyes, tier: Tier | None, now: datetime) -> bool:
    """Whether the person may open what needs this tier; everybody may where it needs none."""
    return tier is None or opens(rank_of(person, now), tier)
