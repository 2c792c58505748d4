"""What whoever may vote finds on the own page. Named in the setting MEMBER_SECTIONS."""

from __future__ import annotations

from django.urls import reverse
from django.utils import timezone

from academy.members.models import Member
from academy.members.sections import Section
from academy.templatetags.audio_text import moment
from contests.models import Ballot, Vote
from contests.voting.ballots import obstacle, open_votes


def own_votes(member: Member) -> list[Section]:
    """The way to each vote that is open and in which the member has a vote, and how far the own ballot is.

    An entrant reads what everybody reads: nothing here hangs on what is voted on.
    """
    votes = [vote for vote in open_votes(timezone.now()) if obstacle(vote, member) is None]
    ballots = {ballot.vote_id: ballot for ballot in member.ballots.filter(vote__in=votes)}
    return [
        Section(
            f"Public vote on “{vote.contest}”",
            reverse("contests:vote", args=[vote.contest.slug]),
            _words(vote, ballots.get(vote.pk)),
        )
        for vote in votes
    ]


def _words(vote: Vote, ballot: Ballot | None) -> str:
    until = moment(vote.closes_at, vote.contest.zone)
    if ballot is None:
        return f"Your vote is open until {until}."
    if ballot.submitted_at is None:
        return f"Your ballot is drawn and not submitted yet; the vote is open until {until}."
    return f"You have voted. The vote is open until {until}; it is counted afterwards."
