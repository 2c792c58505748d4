"""What a contest keeps, one file a subject."""

from contests.models.contest import Contest, Criterion, Handing, Prize, Sponsor
from contests.models.entry import Entry, EntryMove
from contests.models.judging import Assignment, Conflict, Judge, Round, Score, ScoreSheet
from contests.models.result import Decision, Result, Standing
from contests.models.screening import Likeness, ScreenedEntry, Screening
from contests.models.voting import Ballot, BallotLine, Vote, VoteField

__all__ = [
    "Assignment",
    "Ballot",
    "BallotLine",
    "Conflict",
    "Contest",
    "Criterion",
    "Decision",
    "Entry",
    "EntryMove",
    "Handing",
    "Judge",
    "Likeness",
    "Prize",
    "Result",
    "Round",
    "Score",
    "ScoreSheet",
    "ScreenedEntry",
    "Screening",
    "Sponsor",
    "Standing",
    "Vote",
    "VoteField",
]
