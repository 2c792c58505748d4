"""Quick sorting of a large field into keep, unsure and pass: from piles to numbers, and no further.

A verdict is one of three steps, so a hearing says less than a score sheet does. What it says is taken as
equal steps and fitted like scores: severity is taken out, so that an entry does not go because its judges
keep little. Where a judge keeps everything or passes everything the verdicts tell nothing of the entries, and
that is what the fit makes of them. Equal steps are common practice, no source; that the fit finds more of the
truly best than counting does is simulated in the tests.
"""

from collections.abc import Iterable
from enum import StrEnum

from contests.scoring.sheets import Score

CRITERION = "sorting"
"""The one criterion of such a round. Its weight does not matter: there is no other."""


class Verdict(StrEnum):
    """What a judge says of one entry."""

    KEEP = "keep"
    UNSURE = "unsure"
    PASS = "pass"  # noqa: S105 (a verdict, no secret)


STEPS = {Verdict.KEEP: 2.0, Verdict.UNSURE: 1.0, Verdict.PASS: 0.0}


def sorting_scores(verdicts: Iterable[tuple[str, str, str, str]]) -> tuple[Score, ...]:
    """The verdicts as scores. Each is (entry, judge, verdict, repeat); raises ValueError for another word."""
    return tuple(
        Score(entry, judge, CRITERION, STEPS[Verdict(verdict)], repeat)
        for entry, judge, verdict, repeat in verdicts
    )
