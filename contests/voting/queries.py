"""What a voter's page is given. These classes are the whole list of what it may know.

No model reaches the template, and nothing here holds an entrant, a file, a time of upload, a loudness or a
gain; a mix is known by its letter and code alone. Nor is there any number about what others voted.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.urls import reverse

from academy.members.models import Member
from analysis.listening.booth import Seat, booth_set
from analysis.listening.models import CopyState, ListeningCopy
from contests.models import Ballot, BallotLine, Vote
from contests.queries import sections_of_song
from contests.scoring.ballots import METHOD
from contests.voting.ballots import lines_of, obstacle, placed, why_not_open


@dataclass(frozen=True)
class LineWords:
    """One mix on the ballot. `place` counts from 1 for the best; None until it is placed."""

    label: str
    code: str
    place: int | None
    is_first: bool
    is_last: bool
    heard_s: float
    is_heard: bool


@dataclass(frozen=True)
class BallotWords:
    """The own ballot: what is placed, best first, and what is not, in the order of hearing."""

    placed: tuple[LineWords, ...]
    unplaced: tuple[LineWords, ...]
    shown_order: str  # codes, best first, as the form sends them back
    is_submitted: bool
    submitted_at: datetime | None


@dataclass(frozen=True)
class VotePage:
    """A vote as one member finds it. `ballot` is None until it is drawn, `booth_set` where nothing plays."""

    title: str
    slug: str
    zone: str
    opens_at: datetime
    closes_at: datetime
    packet_size: int
    least_heard_s: int
    about_min: int
    method: str
    has_ended: bool
    obstacle: str | None  # why this member has no vote; None once a ballot is submitted, which counts
    closed: str | None  # why nobody votes now
    ballot: BallotWords | None
    booth_set: dict[str, Any] | None


def page_of(vote: Vote, member: Member, ballot: Ballot | None, now: datetime) -> VotePage:
    """All that the voter's page shows."""
    closed = why_not_open(vote, now)
    is_submitted = ballot is not None and ballot.submitted_at is not None
    # Asked of a ballot that is drawn, too: a seat on the panel may have come since.
    in_the_way = None if is_submitted else obstacle(vote, member)
    lines = lines_of(ballot) if ballot else []
    plays = ballot is not None and not is_submitted and closed is None and in_the_way is None
    return VotePage(
        title=vote.contest.title,
        slug=vote.contest.slug,
        zone=vote.contest.zone,
        opens_at=vote.opens_at,
        closes_at=vote.closes_at,
        packet_size=vote.packet_size,
        least_heard_s=vote.least_heard_s,
        about_min=vote.about_min,
        method=METHOD,
        has_ended=vote.has_ended(now),
        obstacle=in_the_way,
        closed=closed,
        ballot=_ballot_words(ballot, lines, vote) if ballot else None,
        booth_set=_booth_set(vote, lines) if plays else None,
    )


def _ballot_words(ballot: Ballot, lines: list[BallotLine], vote: Vote) -> BallotWords:
    order = placed(lines)
    in_order = [_line_words(line, vote, place, len(order)) for place, line in enumerate(order, start=1)]
    return BallotWords(
        placed=tuple(in_order),
        unplaced=tuple(_line_words(line, vote, None, 0) for line in lines if line.rank is None),
        shown_order=",".join(line.code for line in order),
        is_submitted=ballot.submitted_at is not None,
        submitted_at=ballot.submitted_at,
    )


def _line_words(line: BallotLine, vote: Vote, place: int | None, of: int) -> LineWords:
    return LineWords(
        label=line.label,
        code=line.code,
        place=place,
        is_first=place == 1,
        is_last=place == of,
        heard_s=line.heard_s,
        is_heard=line.heard_s >= vote.least_heard_s,
    )


def _booth_set(vote: Vote, lines: list[BallotLine]) -> dict[str, Any] | None:
    """A blind set: keys are codes, names are none."""
    if vote.plan is None:
        return None
    ready = ListeningCopy.objects.filter(plan=vote.plan, state=CopyState.READY, number=0)
    copies = {copy.recording_id: copy for copy in ready}
    seats = [
        Seat(
            copy=copies[line.entry.recording_id],
            key=line.code,
            label=line.label,
            segments_url=reverse("contests:hear_vote", args=[line.code, 0]).removesuffix("0"),
        )
        for line in lines
        if line.entry.recording_id in copies
    ]
    return booth_set(vote.plan, seats, sections_of_song(vote.contest)) if seats else None
