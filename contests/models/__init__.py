"""What a contest keeps, one file a subject."""

from contests.models.contest import Contest, Criterion, Handing, Prize, Sponsor
from contests.models.entry import Entry, EntryMove
from contests.models.judging import Assignment, Conflict, Judge, Round, Score, ScoreSheet
from contests.models.letters import Audience, Message, Reminder
from contests.models.result import Decision, Result, Standing
from contests.models.screening import Likeness, ScreenedEntry, Screening

__all__ = [
    "Assignment",
    "Audience",
    "Conflict",
    "Contest",
    "Criterion",
    "Decision",
    "Entry",
    "EntryMove",
    "Handing",
    "Judge",
    "Likeness",
    "Message",
    "Prize",
    "Reminder",
    "Result",
    "Round",
    "Score",
    "ScoreSheet",
    "ScreenedEntry",
    "Screening",
    "Sponsor",
    "Standing",
]
