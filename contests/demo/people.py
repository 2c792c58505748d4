"""The invented school's people as members, with one pass phrase for all of them, and a code for others."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.contrib.auth.hashers import make_password

from academy.members import codes, granting
from academy.members.models import GrantSource, InvitationCode, Member, Tier
from academy.members.payments import applying
from academy.members.payments.events import Event
from fixtures import people
from fixtures.people import Person
from fixtures.scenario import SCENARIO

PASS_PHRASE = "count the windows"  # noqa: S105  printed for whoever tries the demo on an own machine


def make_tiers() -> dict[str, Tier]:
    """Every tier by its slug."""
    return {
        tier.slug: Tier.objects.create(slug=tier.slug, name=tier.name, rank=tier.rank, about=tier.about)
        for tier in SCENARIO.tiers
    }


def make_people(tiers: dict[str, Tier], *, now: datetime) -> dict[str, Member]:
    """Everybody by key: host, judges, members with the tiers they hold or held."""
    made = {
        person.key: Member.objects.create_user(person.email, person.name, is_host=person is SCENARIO.host)
        for person in people.everybody()
    }
    hashed = make_password(PASS_PHRASE)  # once: it is slow on purpose, and this pass phrase is no secret
    for person in people.everybody():
        member = made[person.key]
        member.password = hashed
        # The field itself takes the day on which the demo is built.
        member.joined_at = now - timedelta(days=person.joined_days_ago)
        member.save(update_fields=["password", "joined_at"])
    host = made[SCENARIO.host.key]
    for person in people.everybody():
        if person.key in people.PAYING:
            _pay(person, now)
        elif person.tier:
            _give(made[person.key], person, tiers[person.tier], host=host, now=now)
    return made


def make_invitation(tiers: dict[str, Tier], *, host: Member, now: datetime) -> InvitationCode:
    """A code for those who heard of the school elsewhere."""
    said = people.INVITATION
    return codes.make_code(
        tier=tiers[said.tier],
        length_days=said.length_days,
        most_uses=said.most_uses,
        expires_at=now + timedelta(days=said.good_for_days),
        note=said.note,
        made_by=host,
        now=now,
    )


def _give(member: Member, person: Person, tier: Tier, *, host: Member, now: datetime) -> None:
    granting.give(
        member,
        tier,
        starts_at=now - timedelta(days=person.joined_days_ago),
        ends_at=_end_of(person, now),
        source=GrantSource.HOST,
        given_by=host,
        now=now,
        tell=False,
    )


def _pay(person: Person, now: datetime) -> None:
    """As whatever takes the payments would say it, but without its signature: nothing is sent here."""
    applying.apply(
        Event(
            id=f"demo-{person.key}",
            is_grant=True,
            occurred_at=now - timedelta(days=person.joined_days_ago),
            email=person.email,
            payer=f"payer-{person.key}",
            tier=person.tier,
            ends_at=_end_of(person, now),
        ),
        now=now,
    )


def _end_of(person: Person, now: datetime) -> datetime | None:
    return None if person.ends_in_days is None else now + timedelta(days=person.ends_in_days)
