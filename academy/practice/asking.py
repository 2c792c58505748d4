"""Ask the teacher about a version, within what the member's tier allows a year; and the teacher's queue."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction

from academy.members.access import rank_of
from academy.members.models import Member
from academy.practice.models import FeedbackAllowance, FeedbackRequest, MixState, PracticeMix
from academy.templatetags.audio_text import moment

YEAR = timedelta(days=365)


class AskRefused(Exception):
    """A request that is not taken, and why."""


@dataclass(frozen=True)
class Allowance:
    """How often the member may ask: `each_year` in all, `left` of them now, `next_at` when there is more."""

    each_year: int
    left: int
    next_at: datetime | None


def allowance_of(member: Member, now: datetime) -> Allowance:
    """What the member's tiers allow, less what was asked during the last 365 days."""
    rank = rank_of(member, now)
    allowed = FeedbackAllowance.objects.filter(tier__rank__lte=rank).values_list("each_year", flat=True)
    each_year = max(allowed, default=0)
    asked = list(
        FeedbackRequest.objects.filter(member=member, asked_at__gt=now - YEAR)
        .order_by("asked_at")
        .values_list("asked_at", flat=True)
    )
    left = max(0, each_year - len(asked))
    # The one whose year must end before another may be asked.
    waits_for = asked[len(asked) - each_year] if each_year and not left else None
    return Allowance(each_year, left, None if waits_for is None else waits_for + YEAR)


def obstacle(mix: PracticeMix, member: Member, now: datetime) -> str | None:
    """Why the member cannot ask about the version now; None when nothing is in the way."""
    if mix.state != MixState.READY:
        return "The teacher can be asked once the version is measured."
    if FeedbackRequest.objects.filter(mix=mix).exists():
        return "You asked about this version already."
    allowance = allowance_of(member, now)
    if not allowance.each_year:
        return "Your membership does not include the teacher’s notes."
    if not allowance.left:
        assert allowance.next_at is not None
        return (
            f"Your membership includes notes on {allowance.each_year} versions a year, and you asked for "
            f"them. The next one can be asked for from {moment(allowance.next_at)}."
        )
    return None


@transaction.atomic
def ask(*, mix: PracticeMix, member: Member, question: str, now: datetime) -> FeedbackRequest:
    """Put a version into the teacher's queue. Raises AskRefused."""
    Member.objects.select_for_update().get(pk=member.pk)  # so that two requests at once are counted
    refusal = obstacle(mix, member, now)
    if refusal is not None:
        raise AskRefused(refusal)
    return FeedbackRequest.objects.create(mix=mix, member=member, question=question.strip(), asked_at=now)


def mark_answered(mix: PracticeMix, *, now: datetime) -> None:
    """Take a version out of the queue. Its notes are what was answered."""
    FeedbackRequest.objects.filter(mix=mix, answered_at=None).update(answered_at=now)
