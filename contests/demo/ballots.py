"""The public vote of a finished contest. Real services; the clock is passed in."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta

from academy.members.models import Member
from contests.judging.heard import raise_heard
from contests.models import BallotLine, Contest, Vote
from contests.voting import ballots, running
from fixtures import verdicts

BETWEEN_VOTERS = timedelta(hours=31)
A_BALLOT_TAKES = timedelta(minutes=12)
HEARD_S = 70.0
"""Of each mix, in seconds: most of the song."""
COUNTED_AFTER = timedelta(hours=2)


def hold(contest: Contest, voters: Mapping[str, Member], keys: Mapping[int, str], *, host: Member) -> None:
    """Let the voters cast their ballots one after the other, then count. The judging is closed by then.

    `keys` are the keys of the mixes by their entrants' primary keys.
    """
    vote = Vote.objects.get(contest=contest)
    for number, (name, voter) in enumerate(voters.items(), start=1):

        def liking(line: BallotLine, name: str = name) -> float:
            return verdicts.liking(name, keys[line.entry.member_id])

        # 192.0.2.0/24 is kept for documentation (RFC 5737): every voter at home, nobody's real network.
        _cast(vote, voter, liking, network=f"192.0.2.{number}", now=vote.opens_at + number * BETWEEN_VOTERS)
    running.count_vote(contest.pk, actor=host, now=vote.closes_at + COUNTED_AFTER)


def _cast(
    vote: Vote, voter: Member, liking: Callable[[BallotLine], float], *, network: str, now: datetime
) -> None:
    """Draw a ballot, hear its mixes, place them best first, and seal it."""
    ballot = ballots.open_ballot(vote.pk, voter, now=now)
    order = sorted(ballots.lines_of(ballot), key=liking, reverse=True)
    raise_heard(ballot.lines.all(), {line.code: {"seconds": HEARD_S, "plays": 1} for line in order})
    done = now + A_BALLOT_TAKES
    for line in order:
        ballots.move_line(ballot, line.code, "place", now=done)
    ballots.submit_ballot(ballot, shown_order=[line.code for line in order], network=network, now=done)
