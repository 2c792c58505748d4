"""What a voter may open: the page of an announced vote, and the own ballot. All else is not there: 404."""

from __future__ import annotations

from datetime import datetime

from django.http import Http404
from django.shortcuts import get_object_or_404

from academy.members.access import Person, as_member
from academy.members.models import Member
from contests.models import Ballot, BallotLine, Vote
from contests.states import ContestState, EntryState


def announced_vote(slug: str) -> Vote:
    """The vote of a contest that is public. Raises Http404 for drafts and contests without one."""
    votes = Vote.objects.exclude(contest__state=ContestState.DRAFT)
    return get_object_or_404(votes.select_related("contest__pack", "plan"), contest__slug=slug)


def own_ballot(person: Person, vote: Vote) -> Ballot | None:
    """The person's own ballot, if it was drawn already."""
    if not isinstance(person, Member):
        return None
    return vote.ballots.filter(member=person).first()


def ballot_to_fill(person: Person, slug: str) -> Ballot:
    """The person's own ballot, for something to be done with it. Raises Http404 where there is none."""
    ballots = Ballot.objects.select_related("vote__contest").exclude(vote__contest__state=ContestState.DRAFT)
    return get_object_or_404(ballots, vote__contest__slug=slug, member=as_member(person))


def line_to_play(person: Person, code: str, now: datetime) -> BallotLine:
    """The mix under a code on the person's own ballot, while it is open. Raises Http404 otherwise."""
    lines = BallotLine.objects.select_related("ballot__vote", "entry").filter(
        code=code,
        ballot__member=as_member(person),
        ballot__submitted_at__isnull=True,
        entry__state=EntryState.READY,
    )
    line = lines.first()
    if line is None or not line.ballot.vote.is_open(now):
        raise Http404
    return line
