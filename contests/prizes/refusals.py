"""The one refusal of this room, and what its services ask first: the contest's state, and a reason."""

from __future__ import annotations

from contests.models import Contest
from contests.states import ContestState, MoveNotAllowed, StateChanged


class PrizeRefused(Exception):
    """Something about a prize that cannot be done now; the sentence says why and what to do."""


NOT_ANY_MORE = (MoveNotAllowed, StateChanged)
"""What a model raises when the arrow is not there, or somebody else took one first."""
LOOK_AGAIN = "That cannot be done now. Look again: somebody may have gone ahead."


def locked(contest_id: int, *states: ContestState, otherwise: str) -> Contest:
    """The contest, its row locked until the transaction ends, so that decisions take turns.

    Raises PrizeRefused with the sentence `otherwise` unless it is in one of the states.
    """
    contest = Contest.objects.select_for_update().get(pk=contest_id)
    if contest.state not in states:
        raise PrizeRefused(otherwise)
    return contest


def require_reason(reason: str, otherwise: str) -> str:
    """The reason without blanks around it. Raises PrizeRefused with the sentence `otherwise` for none."""
    if not reason.strip():
        raise PrizeRefused(otherwise)
    return reason.strip()
