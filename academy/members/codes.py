"""Invitation codes: made by a host, entered at joining or on the own page, once a member."""

from __future__ import annotations

import re
import secrets
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import F

from academy.members import granting
from academy.members.models import Grant, GrantSource, InvitationCode, Member, Redemption, Tier

# Thirty-two digits and letters without those that are read for one another (I, L, O, U); 60 bits a code.
ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
GROUPS, GROUP_LENGTH = 3, 4
READ_AS = str.maketrans("ILO", "110")


class CodeRefused(Exception):
    """A code that gives nothing; the sentence says why."""


def make_code(
    *,
    tier: Tier,
    length_days: int | None,
    most_uses: int,
    expires_at: datetime | None,
    made_by: Member | None,
    now: datetime,
    note: str = "",
) -> InvitationCode:
    """Make a new random code. `length_days` None gives the tier without end."""
    digits = "".join(secrets.choice(ALPHABET) for _ in range(GROUPS * GROUP_LENGTH))
    return InvitationCode.objects.create(
        code=as_kept(digits),
        tier=tier,
        length_days=length_days,
        most_uses=most_uses,
        expires_at=expires_at,
        made_by=made_by,
        made_at=now,
        note=note,
    )


def as_kept(typed: str) -> str:
    """A code as it is kept, from whatever way it was typed: case, spaces and hyphens do not matter."""
    digits = re.sub(r"[^0-9A-Z]", "", typed.upper()).translate(READ_AS)
    return "-".join(digits[at : at + GROUP_LENGTH] for at in range(0, len(digits), GROUP_LENGTH))


def usable(typed: str, *, now: datetime) -> InvitationCode:
    """The code that was typed, if it gives something now. Raises CodeRefused."""
    code = InvitationCode.objects.select_related("tier").filter(code=as_kept(typed)).first()
    if code is None:
        raise CodeRefused("There is no such code. Look at it once more; a code has three groups of four.")
    _refuse_if_over(code, now)
    return code


def _refuse_if_over(code: InvitationCode, now: datetime) -> None:
    if code.stopped_at is not None:
        raise CodeRefused("This code was stopped. Ask whoever gave it to you for another one.")
    if code.expires_at is not None and code.expires_at <= now:
        raise CodeRefused("This code has expired. Ask whoever gave it to you for another one.")
    if code.uses >= code.most_uses:
        raise CodeRefused("This code is used up. Ask whoever gave it to you for another one.")


@transaction.atomic
def redeem(typed: str, member: Member, *, now: datetime) -> Grant:
    """Give the member what the code promises, from now, or from the end of what they hold of that tier.

    Raises CodeRefused, and uses nothing up.
    """
    found = usable(typed, now=now)
    code = InvitationCode.objects.select_for_update(of=["self"]).select_related("tier").get(pk=found.pk)
    _refuse_if_over(code, now)  # now that nobody else can use it
    if code.redemptions.filter(member=member).exists():
        raise CodeRefused("You have used this code already; it works once a member.")
    # Two codes at once follow one another, too: the second waits for what the first gives.
    Member.objects.select_for_update(no_key=True).get(pk=member.pk)
    starts_at = _start_after_what_is_held(member, code.tier, now)
    try:
        ends_at = None if code.length_days is None else starts_at + timedelta(days=code.length_days)
    except OverflowError as exc:  # it would end after the year 9999
        raise _adds_nothing(code.tier) from exc
    grant = granting.give(
        member,
        code.tier,
        starts_at=starts_at,
        ends_at=ends_at,
        source=GrantSource.CODE,
        reason=code.code,
        now=now,
    )
    Redemption.objects.create(code=code, member=member, grant=grant, redeemed_at=now)
    InvitationCode.objects.filter(pk=code.pk).update(uses=F("uses") + 1)
    return grant


def _start_after_what_is_held(member: Member, tier: Tier, now: datetime) -> datetime:
    starts_at = now
    for grant in member.grants.filter(tier=tier):
        if grant.ends_at is None:
            raise _adds_nothing(tier)
        if granting.lasts_beyond(grant, now):
            starts_at = max(starts_at, grant.ends_at)
    return starts_at


def _adds_nothing(tier: Tier) -> CodeRefused:
    return CodeRefused(
        f"You hold “{tier}” without an end; the code would add nothing. Keep it or pass it on."
    )


def stop(code: InvitationCode, *, now: datetime) -> None:
    """Let nobody redeem it any more; what it has given stays."""
    InvitationCode.objects.filter(pk=code.pk, stopped_at=None).update(stopped_at=now)
