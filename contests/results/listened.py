"""What an export holds about how judges listened, and the fingerprint by which the decision log keeps it.

It is about persons, though they go by numbers. So it says what an appeal asks, for how long and how late in a
sitting a mix was heard, and leaves out at what hours somebody sat, how long, and what was noted on the way.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from contests.models import Assignment, Contest, Round
from contests.results import standings

HEARING = ("round", "judge", "entry", "repeat")
"""The keys that tell one hearing from all others of a contest."""
LISTENED = ("heard_s", "plays", "session", "session_position")
"""The keys of what the judge's browser told of it."""

RECORDED = "listening_sha256"
"""The detail of the log's line for the result that holds the fingerprint."""


def listened_to(hearing: Assignment) -> dict[str, Any]:
    """What was told of one hearing, by the keys `LISTENED`.

    `heard_s` counts all seconds in which the copy sounded, again and again; which parts these were is not
    known. `session` is the number of the judge's session in the round, None for what was heard in none.
    """
    return {
        "heard_s": round(hearing.heard_s, 1),
        "plays": hearing.plays,
        "session": hearing.session.number if hearing.session else None,
        "session_position": hearing.session_position,
    }


def copy_length_s(round_: Round) -> float | None:
    """How long each copy of a round lasts, in seconds; None for a round without copies."""
    plan = round_.plan
    return round(plan.frames / plan.rate_hz, 1) if plan and plan.rate_hz else None


def fingerprint_of(contest: Contest) -> str:
    """The fingerprint of what is known about listening in a contest."""
    hearings = Assignment.objects.filter(round__contest=contest).select_related("round", "session")
    return fingerprint(
        {
            "round": hearing.round.number,
            "judge": str(hearing.judge_id),
            "entry": str(hearing.entry_id),
            "repeat": hearing.repeat,
            **listened_to(hearing),
        }
        for hearing in hearings
    )


def fingerprint(hearings: Iterable[Mapping[str, Any]]) -> str:
    """SHA-256 over hearings as an export holds them, in whatever order; only the keys above count."""
    lines = sorted([hearing[key] for key in (*HEARING, *LISTENED)] for hearing in hearings)
    return standings.fingerprint({"hearings": lines})
