"""What looks odd about the ballots of an ended vote, in words for its host. Advice, never a verdict."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from academy.templatetags.audio_text import moment, number
from contests.models import Vote
from contests.scoring.ballot_doubts import HOUR_S, bursts, crowded_networks, same_orders
from contests.voting.running import ballot_orders, submitted_ballots

MADE_SHORTLY_BEFORE = timedelta(days=7)
"""Accounts made so shortly before the contest opened are named. Common practice, no source."""


@dataclass(frozen=True)
class Doubt:
    """One thing that looks odd: what, why it may be innocent, and its ballots' codes in groups."""

    title: str
    words: str
    groups: tuple[tuple[str, ...], ...]


def doubts_of(vote: Vote) -> list[Doubt]:
    """Every doubt about the submitted ballots, those set aside included. For after the vote's end."""
    submitted = submitted_ballots(vote)
    ballots = list(submitted.select_related("member"))
    found = [
        Doubt(
            "Many within an hour",
            f"{len(burst.ballots)} ballots in the hour from {_hour(vote, burst.hour)}; in the median hour "
            f"{number(burst.median_hour, 1)}. A letter or a post that points here does that as well.",
            (burst.ballots,),
        )
        for burst in bursts(
            {one.code: one.submitted_at.timestamp() for one in ballots if one.submitted_at is not None},
            opened_at_s=vote.opens_at.timestamp(),
            ended_at_s=vote.closes_at.timestamp(),
        )
    ]
    same = same_orders(ballot_orders(submitted))
    if same.groups:
        found.append(
            Doubt(
                "The same order",
                f"Pairs of ballots with the same mixes in the same order: {same.pairs}. Luck alone would "
                f"make {number(same.pairs_by_luck)}, and voters who hear alike make more.",
                same.groups,
            )
        )
    if crowds := crowded_networks({one.code: one.network_mark for one in ballots}):
        found.append(
            Doubt(
                "One network",
                "Ballots that came from one network. A household, a school or a provider’s gateway looks "
                "like that too.",
                crowds,
            )
        )
    opened_at = vote.contest.opens_at
    young = [one.code for one in ballots if one.member.joined_at >= opened_at - MADE_SHORTLY_BEFORE]
    if young:
        found.append(
            Doubt(
                "Young accounts",
                f"Made within {MADE_SHORTLY_BEFORE.days} days before the contest opened. Entrants and their "
                "friends often join for a contest.",
                (tuple(sorted(young)),),
            )
        )
    return found


def _hour(vote: Vote, hour: int) -> str:
    return moment(datetime.fromtimestamp(hour * HOUR_S, UTC), vote.contest.zone)
