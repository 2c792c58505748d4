"""Voters ask for ballots and submit them in several windows."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

from contests.models import BallotLine
from contests.voting import ballots
from contests.voting.ballots import BallotRefused
from tests.contests.voting import staging as voting
from tests.services.scenes.racing import at_once


def draw_at_once(times: int, voters: int) -> dict[str, Any]:
    """Every voter asks for a ballot in so many windows at once.

    `ballots` are the ballots that there are then, `told` the different ones that each voter was told of, and
    `shown` how often each mix is shown.
    """
    _, vote = voting.without_sound()
    people = [voting.voter(f"Voter{number} Brill") for number in range(voters)]
    told: dict[int, set[str]] = {person.pk: set() for person in people}
    at_once([lambda one=one: told[one.pk].add(voting.drawn(vote, one).code) for one in people * times])
    return {
        "ballots": vote.ballots.count(),
        "told": [len(codes) for codes in told.values()],
        "shown": sorted(
            BallotLine.objects.filter(ballot__vote=vote, entry=entry).count()
            for entry in vote.contest.entries.all()
        ),
    }


def submit_at_once(times: int) -> dict[str, int]:
    """One ballot is submitted in so many windows at once, while another moves a mix."""
    _, vote = voting.without_sound()
    ballot = voting.drawn(vote, voting.voter())
    voting.heard(ballot)
    codes = [line.code for line in voting.place_all(ballot)]
    later = voting.WHILE_OPEN + timedelta(minutes=5)
    refused = []

    def tried(run: Callable[[], object]) -> Callable[[], None]:
        def once() -> None:
            try:
                run()
            except BallotRefused as exc:
                refused.append(str(exc))

        return once

    submit = tried(lambda: ballots.submit_ballot(ballot, shown_order=codes, network="192.0.2.1", now=later))
    move = tried(lambda: ballots.move_line(ballot, codes[0], "down", now=later))
    at_once([submit] * times + [move])
    ballot.refresh_from_db()
    order = [line.code for line in ballots.placed(ballots.lines_of(ballot))]
    is_sealed = ballot.submitted_at is not None
    return {"refused": len(refused), "is_sealed": is_sealed, "as_seen": order == codes}
