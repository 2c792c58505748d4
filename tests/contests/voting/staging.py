"""A public vote taken to any stage by the real services."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from academy.members.models import Member
from contests.models import Ballot, BallotLine, Vote
from contests.voting import ballots, running
from tests import cast
from tests.contests import stages

OPENS = stages.AFTER_THE_CLOSE + timedelta(hours=1)
ENDS = OPENS + timedelta(days=3)
WHILE_OPEN = OPENS + timedelta(hours=1)
ENTRANTS = [f"{name} Merrow" for name in ("Ansa", "Bero", "Ceri", "Dov", "Elin", "Faro", "Gita")]


def laid_out(stage: stages.Stage, **fields: Any) -> Vote:
    """The vote's terms on the sheet: packets of five, a second of each mix, since the copies last two."""
    terms = {"opens_at": OPENS, "closes_at": ENDS, "packet_size": 5, "least_heard_s": 1}
    return Vote.objects.create(contest=stage.contest, **terms | fields)


def prepared(**fields: Any) -> tuple[stages.Stage, Vote]:
    """A closed contest with seven entries whose copies for the vote are ready."""
    stage = stages.closed(entrants=ENTRANTS)
    laid_out(stage, **fields)
    vote = running.prepare_vote(stage.contest.pk, actor=stage.host, now=stages.AFTER_THE_CLOSE)
    stages.run_all_jobs()
    return stage, vote


def without_sound(entries: int = 7, **fields: Any) -> tuple[stages.Stage, Vote]:
    """A prepared vote whose copies are there by name only, for what nobody needs to hear."""
    from analysis.listening.models import CopyState, ListeningCopy, MatchPlan
    from contests.states import ContestState, VoteState

    stage = stages.Stage(cast.contest(state=ContestState.CLOSED), cast.host())
    tone = cast.recording()
    plan = MatchPlan.objects.create(
        wished_lufs=-18,
        ceiling_dbtp=-1,
        level_lufs=-18,
        rate_hz=48_000,
        frames=96_000,
        segment_frames=96_000,
        planned_at=cast.NOW,
    )
    for number in range(entries):
        recording = cast.recording(audio=cast.tone(level=0.1, seconds=0.01)) if number else tone
        entry = stages.Entry.objects.create(
            contest=stage.contest,
            member=cast.member(f"Entrant{number} Merrow"),
            recording=recording,
            state="ready",
            receipt=f"2345-6789-{number:04d}",
            received_at=cast.NOW,
            rules_version=1,
        )
        stage.entries.append(entry)
        ListeningCopy.objects.create(plan=plan, recording=recording, gain_db=0, state=CopyState.READY)
    vote = laid_out(stage, plan=plan, owns_plan=True, state=VoteState.PREPARED, seed=7, **fields)
    return stage, vote


def aged(member: Member, *, joined_at: datetime = cast.NOW - timedelta(days=60)) -> Member:
    """The member with an account older than the contest."""
    Member.objects.filter(pk=member.pk).update(joined_at=joined_at)
    member.refresh_from_db()
    return member


def voter(name: str = "Fenna Brill", **fields: Any) -> Member:
    """Somebody who may vote."""
    return aged(cast.member(name), **fields)


def drawn(vote: Vote, member: Member, *, now: datetime = WHILE_OPEN) -> Ballot:
    """A ballot as the page draws it."""
    return ballots.open_ballot(vote.pk, member, now=now)


def heard(ballot: Ballot, seconds: float = 30.0) -> None:
    """Every mix heard for so long."""
    ballot.lines.update(heard_s=seconds)


def place_all(ballot: Ballot, *, now: datetime = WHILE_OPEN, key: Any = None) -> list[BallotLine]:
    """Every mix placed, best first by `key`, else as drawn."""
    order = sorted(ballots.lines_of(ballot), key=key or (lambda line: line.position))
    for line in order:
        ballots.move_line(ballot, line.code, "place", now=now)
    return order


def submit(
    ballot: Ballot, *, key: Any = None, network: str = "", now: datetime = WHILE_OPEN + timedelta(minutes=5)
) -> Ballot:
    """Heard, placed and sealed. The network is one of the ballot's own unless given."""
    heard(ballot)
    order = place_all(ballot, key=key, now=now)
    return ballots.submit_ballot(
        ballot, shown_order=[line.code for line in order], network=network or ballot.code, now=now
    )


def cast_ballots(vote: Vote, number: int, **fields: Any) -> list[Ballot]:
    """So many voters, who prefer entries in the order of their receipts."""
    return [
        submit(drawn(vote, voter(f"Voter{n} Brill")), key=lambda line: line.entry.receipt, **fields)
        for n in range(number)
    ]
