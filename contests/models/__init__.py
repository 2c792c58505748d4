"""What a contest keeps, one file a subject."""

from contests.models.contest import Contest, Criterion, Handing, Prize, Sponsor
from contests.models.entry import Entry, EntryMove
from contests.models.judging import (
    Assignment,
    Conflict,
    Judge,
    JudgeOrder,
    Round,
    RoundKind,
    Score,
    ScoreSheet,
)
from contests.models.result import Decision, Result, Standing
from contests.models.screening import Likeness, ScreenedEntry, Screening

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
    "JudgeOrder",
    "Likeness",
    "Prize",
    "Result",
    "Round",
    "RoundKind",
    "Score",
    "ScoreSheet",
    "ScreenedEntry",
    "Screening",
    "Sponsor",
    "Standing",
]
