"""The invented school's people as members, with one pass phrase for all of them."""

from __future__ import annotations

from datetime import datetime, timedelta

from academy.members.models import Grant, Member, Tier
from fixtures import people
from fixtures.scenario import SCENARIO

PASS_PHRASE = "count the windows"  # noqa: S105  printed for whoever tries the demo on an own machine


def make_tiers() -> dict[str, Tier]:
    """Every tier by its slug."""
    return {
        tier.slug: Tier.objects.create(slug=tier.slug, name=tier.name, rank=tier.rank)
        for tier in SCENARIO.tiers
    }


def make_people(tiers: dict[str, Tier], *, now: datetime) -> dict[str, Member]:
    """Everybody by key: host, judges, members with the tiers they hold or held."""
    made = {}
    for person in people.everybody():
        member = Member.objects.create_user(
            person.email, person.name, PASS_PHRASE, is_host=person is SCENARIO.host
        )
        if person.tier:
            Grant.objects.create(
                member=member,
                tier=tiers[person.tier],
                starts_at=now - timedelta(days=person.joined_days_ago),
                ends_at=None if person.ends_in_days is None else now + timedelta(days=person.ends_in_days),
            )
        made[person.key] = member
    return made
