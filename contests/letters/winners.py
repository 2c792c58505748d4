"""Letters about prizes, to their winners.

None holds a postal address, a code or a link that is itself a prize: letters are read by others.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

from django.urls import reverse

from academy.letters.addresses import absolute
from academy.letters.kinds import Kind, announce
from contests.letters.addressing import PAGES, SAMPLE, to_entrant
from contests.models import Award, Entry, Handing, Turn
from contests.states import AwardState

PRIZE_SAMPLE = SAMPLE | {
    "prize": "A loom of studio cables",
    "link": "https://school.example/contests/prizes/7KQM-2WXA-D9FT/",
    "until": datetime(2031, 5, 4, 17, 0, tzinfo=UTC),
    "zone": "UTC",
}
PRIZE_TOLD = announce(
    Kind(
        name="prize-told",
        title="A prize is yours",
        subject="A prize of {contest} is yours",
        templates=f"{PAGES}/prize_told",
        why="the host of a contest gave you a prize",
        is_essential=True,
        sample=PRIZE_SAMPLE | {"is_shipped": True, "is_confirmed": False, "again": False},
    )
)
PRIZE_CHOOSE = announce(
    Kind(
        name="prize-choose",
        title="It is your turn to choose a prize",
        subject="{contest}: choose your prize",
        templates=f"{PAGES}/prize_choose",
        why="your entry in a contest may choose a prize",
        is_essential=True,
        sample=PRIZE_SAMPLE,
    )
)
PRIZE_SENT = announce(
    Kind(
        name="prize-sent",
        title="Your prize is on its way",
        subject="Your prize of {contest} is on its way",
        templates=f"{PAGES}/prize_sent",
        why="a prize that you confirmed was sent",
        is_essential=True,
        sample=PRIZE_SAMPLE | {"is_shipped": True},
    )
)


def prize_told(award: Award, *, now: datetime, again: bool = False) -> None:
    """To the winner, that a prize waits for an answer. `again` writes it once more, once a day at most."""
    words = {
        "is_shipped": award.prize.handing == Handing.SHIPPED,
        "is_confirmed": award.state == AwardState.CONFIRMED,
        "until": award.confirm_by,
        "again": again,
    }
    key = f"{award.pk} {now.date()}" if again else f"{award.pk}"
    _to_winner(PRIZE_TOLD, award.entry, words | {"prize": str(award.prize)}, now=now, key=key)


def prize_choose(turn: Turn, *, now: datetime) -> None:
    """To the entrant whose turn it is, and until when."""
    _to_winner(PRIZE_CHOOSE, turn.entry, {"until": turn.choose_by}, now=now, key="")


def prize_sent(award: Award, *, now: datetime) -> None:
    """To the winner, that it is on its way or waits on the page."""
    words = {"prize": str(award.prize), "is_shipped": award.prize.handing == Handing.SHIPPED}
    _to_winner(PRIZE_SENT, award.entry, words, now=now, key=f"{award.pk}")


def _to_winner(kind: Kind, entry: Entry, words: Mapping[str, object], *, now: datetime, key: str) -> None:
    page = {
        "zone": entry.contest.zone,
        "link": absolute(reverse("contests:own_prizes", args=[entry.receipt])),
    }
    to_entrant(kind, entry, page | dict(words), now=now, key=key)
