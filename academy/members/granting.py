"""Give a tier for a time, and end it early. What was given stays in the history."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction

from academy.members import letters
from academy.members.models import Grant, GrantSource, Member, Tier


class GrantRefused(Exception):
    """A grant that cannot be given or ended; the sentence says why."""


@transaction.atomic
def give(
    member: Member,
    tier: Tier,
    *,
    starts_at: datetime,
    ends_at: datetime | None,
    source: GrantSource,
    now: datetime,
    reason: str = "",
    given_by: Member | None = None,
    tell: bool = True,
) -> Grant:
    """Give the member the tier, and tell them by a letter. `ends_at` None is without end.

    Raises GrantRefused for an end that is not after the start.
    """
    if ends_at is not None and ends_at <= starts_at:
        raise GrantRefused("The end is not after the start. Write a later end, or none.")
    grant = Grant.objects.create(
        member=member,
        tier=tier,
        starts_at=starts_at,
        ends_at=ends_at,
        source=source,
        reason=reason,
        given_by=given_by,
    )
    if tell:
        letters.membership_given(grant, now=now)
    return grant


def give_many(grants: list[Grant]) -> None:
    """Give what a list from elsewhere names, unannounced. Whoever calls has looked at the periods."""
    Grant.objects.bulk_create(grants, batch_size=500)


@transaction.atomic
def end(
    grant: Grant, *, reason: str, now: datetime, ended_by: Member | None = None, at: datetime | None = None
) -> Grant:
    """End a grant now, or at another time before its end, and tell its holder. One yet to come never begins.

    Raises GrantRefused when it is over by then anyway.
    """
    grant = cut(grant, at=at or now, reason=reason, now=now, ended_by=ended_by)
    letters.membership_ended(grant, now=now)
    return grant


@transaction.atomic
def cut(grant: Grant, *, at: datetime, reason: str, now: datetime, ended_by: Member | None = None) -> Grant:
    """The same without a letter, for what something better takes the place of."""
    grant = Grant.objects.select_for_update(of=["self"]).select_related("member", "tier").get(pk=grant.pk)
    if not lasts_beyond(grant, at):
        raise GrantRefused("This is over already.")
    if grant.ended_early_at is None:
        grant.was_to_end_at = grant.ends_at
    grant.ends_at = max(at, grant.starts_at)
    grant.ended_early_at = now
    grant.ended_reason = reason
    grant.ended_by = ended_by
    grant.save()
    return grant


def lasts_beyond(grant: Grant, at: datetime) -> bool:
    """Whether the grant holds, or will hold, at some time after `at`. One that never begins does not."""
    return grant.ends_at is None or grant.ends_at > max(at, grant.starts_at)
