"""How a judge's hours are laid out: sessions, rests, and how long what is left will take. Plain arithmetic.

Nothing is forced: a judge may hear on, stop early or come back another day. Each figure has its source here.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

LONGEST_SESSION_S = 25 * 60.0
"""Within the 20 to 30 minutes of one session in listening tests (notes on ITU-R BS.1534, second-hand)."""

MOST_IN_A_SESSION = 12
"""Within the 10 to 15 trials of one session (the same notes, second-hand)."""

REST_S = 10 * 60.0
"""A pause as long as this begins a new session, as the booth counts rests. Common practice, no source."""

USUAL_HEARINGS = 1.5
"""How often a mix is heard through, until the judge has an own pace. Common practice, no source."""
SORTING_HEARINGS = 1.0
"""The same in a round of quick sorting. Common practice, no source."""

FEWEST_FOR_A_PACE = 3
"""Submitted sheets from which on the judge's own pace counts. Common practice, no source."""

WRITING_S = 180.0
"""Time to think and write a sheet, for the estimate of a round's length. Common practice, no source."""
SORTING_S = 20.0
"""The same for one of three words. Common practice, no source."""
ESTIMATE_STEP_MIN = 5


@dataclass(frozen=True)
class Pace:
    """How many times a mix is heard through on average, and whether that is the judge's own pace so far."""

    hearings: float
    is_own: bool


@dataclass(frozen=True)
class PlannedSession:
    """Hearing up to a rest: the labels of the mixes in order, and how long hearing them takes."""

    labels: tuple[str, ...]
    hearing_s: float


def pace_of(heard_s: Sequence[float], *, length_s: float, is_sorting: bool) -> Pace:
    """The pace from the seconds that each submitted mix of `length_s` was heard; the usual one from too few.

    Mixes of which nothing is known to be heard are left out: the booth's word may have been lost.
    """
    known = [seconds for seconds in heard_s if seconds > 0]
    if len(known) < FEWEST_FOR_A_PACE or length_s <= 0:
        return Pace(SORTING_HEARINGS if is_sorting else USUAL_HEARINGS, is_own=False)
    return Pace(math.fsum(known) / len(known) / length_s, is_own=True)


def minutes_for(number: int, *, length_s: float, pace: Pace, is_sorting: bool) -> int | None:
    """How long so many mixes will take with the writing, up to whole five minutes; None for none."""
    writing_s = SORTING_S if is_sorting else WRITING_S
    minutes = number * (length_s * pace.hearings + writing_s) / 60.0
    return math.ceil(minutes / ESTIMATE_STEP_MIN) * ESTIMATE_STEP_MIN or None


def planned_sessions(labels: Sequence[str], *, length_s: float, pace: Pace) -> tuple[PlannedSession, ...]:
    """The mixes that are left, in the judge's order, in as few sessions as there may be, evenly filled.

    A mix that alone takes longer than a session has one to itself. Empty for no mixes.
    """
    each_s = length_s * pace.hearings
    fit = MOST_IN_A_SESSION if each_s <= 0 else math.floor(LONGEST_SESSION_S / each_s)
    number = math.ceil(len(labels) / max(1, min(fit, MOST_IN_A_SESSION)))
    ends = [len(labels) * at // number for at in range(number + 1)] if number else []
    return tuple(
        PlannedSession(tuple(labels[start:end]), (end - start) * each_s)
        for start, end in itertools.pairwise(ends)
    )
