"""What a contest keeps, one file a subject."""

from contests.models.contest import Contest, Criterion, Handing, Prize, Sponsor
from contests.models.entry import Entry, EntryMove
from contests.models.judging import (
    Assignment,
    Conflict,
    Judge,
    JudgeOrder,
    JudgingSession,
    Round,
    RoundKind,
    Score,
    ScoreSheet,
    SheetNote,
)
from contests.models.letters import Audience, Message, Reminder
from contests.models.prizes import Award, AwardMove, PrivateKind, PrivateLine, Turn
from contests.models.result import Decision, Result, Standing
from contests.models.screening import FindingBooth, Likeness, Ruling, ScreenedEntry, Screening
from contests.models.voting import Ballot, BallotLine, Vote, VoteField

__all__ = [
    "Assignment",
    "Audience",
    "Award",
    "AwardMove",
    "Ballot",
    "BallotLine",
    "Conflict",
    "Contest",
    "Criterion",
    "Decision",
    "Entry",
    "EntryMove",
    "FindingBooth",
    "Handing",
    "Judge",
    "JudgeOrder",
    "JudgingSession",
    "Likeness",
    "Message",
    "PrivateKind",
    "PrivateLine",
    "Prize",
    "Reminder",
    "Result",
    "Round",
    "RoundKind",
    "Ruling",
    "Score",
    "ScoreSheet",
    "ScreenedEntry",
    "Screening",
    "SheetNote",
    "Sponsor",
    "Standing",
    "Turn",
    "Vote",
    "VoteField",
]
