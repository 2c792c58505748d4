"""What a contest keeps, one file a subject."""

from contests.models.contest import Contest, Criterion, Handing, Prize, Sponsor
from contests.models.entry import Entry, EntryMove
from contests.models.judging import Assignment, Conflict, Judge, Round, Score, ScoreSheet
from contests.models.result import Decision, Result, Standing

__all__ = [
    "Assignment",
    "Conflict",
    "Contest",
    "Criterion",
    "Decision",
    "Entry",
    "EntryMove",
    "Handing",
    "Judge",
    "Prize",
    "Result",
    "Round",
    "Score",
    "ScoreSheet",
    "Sponsor",
    "Standing",
]
