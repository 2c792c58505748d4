"""A public vote beside the jury: how it is laid out, each member's ballot, and what was counted."""

from __future__ import annotations

from datetime import datetime

from django.conf import settings
from django.db import models, transaction

from analysis.listening.models import MatchPlan
from contests.models.contest import Contest
from contests.models.entry import Entry
from contests.states import VOTE_MOVES, MoveNotAllowed, StateChanged, VoteState

VOTE_RULE = (
    "There is a public vote: your mix may be played in it to members of this site, whole or in part, without "
    "your name and at one loudness with the others."
)
"""What the rules of a contest with a public vote say of it, whatever else its host wrote."""


class VoteField(models.TextChoices):
    """Which mixes are voted on."""

    ALL = "all", "every entry that stands"
    LAST_ROUND = "last_round", "those that the panel hears in its last round"


class Vote(models.Model):
    """The public vote of one contest. Whether it is open is read from the clock and its dates."""

    contest = models.OneToOneField(Contest, on_delete=models.CASCADE, related_name="vote")
    state = models.CharField(max_length=10, choices=VoteState, default=VoteState.LAID_OUT)
    field = models.CharField(max_length=10, choices=VoteField, default=VoteField.ALL)
    opens_at = models.DateTimeField()
    closes_at = models.DateTimeField()
    packet_size = models.PositiveSmallIntegerField(default=6)
    least_heard_s = models.PositiveSmallIntegerField(default=30)  # of each mix on a ballot
    # The first version of the contest's rules that says VOTE_RULE; null: they do not say it.
    in_rules_since = models.PositiveIntegerField(null=True)

    plan = models.ForeignKey(MatchPlan, on_delete=models.PROTECT, null=True, related_name="+")
    owns_plan = models.BooleanField(default=False)  # false: it is a round's, which keeps it
    seed = models.BigIntegerField(default=0)  # drawn when the vote is prepared

    opening_told_at = models.DateTimeField(null=True)  # when all who may vote had been written to
    ending_told_at = models.DateTimeField(null=True)  # the same, that it ends soon

    counted_at = models.DateTimeField(null=True)
    working = models.JSONField(null=True)  # the tally as contests.scoring gives it, entries by primary key

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=models.Q(state__in=VoteState.values), name="vote_state_is_known"
            ),
            models.CheckConstraint(
                condition=models.Q(opens_at__lt=models.F("closes_at")), name="vote_opens_before_it_closes"
            ),
        ]

    def __str__(self) -> str:
        return f"public vote of {self.contest}"

    def is_open(self, now: datetime) -> bool:
        """Whether ballots are given out and taken. The closing second is too late."""
        return self.state == VoteState.PREPARED and self.opens_at <= now < self.closes_at

    def has_ended(self, now: datetime) -> bool:
        """Whether no ballot is taken any more."""
        return now >= self.closes_at

    @property
    def rule(self) -> str:
        """What the rules say of the vote; empty where they do not, since entrants agreed to them before."""
        return "" if self.in_rules_since is None else VOTE_RULE

    @property
    def about_min(self) -> int:
        """How many minutes of hearing a ballot asks for, at least, rounded up."""
        return -(-self.packet_size * self.least_heard_s // 60)

    @property
    def fits_timeline(self) -> bool:
        """Whether it lies between the close of entries and the result, when the names are out."""
        contest = self.contest
        return contest.grace_ends_at <= self.opens_at < self.closes_at <= contest.announced_at

    @transaction.atomic
    def move_to(self, new_state: VoteState) -> None:
        """Take one arrow of the drawing. The decision log records who and why."""
        old_state = VoteState(self.state)
        if new_state not in VOTE_MOVES[old_state]:
            raise MoveNotAllowed(f"{self}: no move from {old_state} to {new_state}")
        if not Vote.objects.filter(pk=self.pk, state=old_state).update(state=new_state):
            raise StateChanged(f"{self}: no longer {old_state}")
        self.state = new_state


class Ballot(models.Model):
    """One member's ballot. The host and the export know it by its code alone."""

    vote = models.ForeignKey(Vote, on_delete=models.PROTECT, related_name="ballots")
    member = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="ballots")
    code = models.CharField(max_length=32, unique=True)
    given_at = models.DateTimeField()
    submitted_at = models.DateTimeField(null=True)
    is_set_aside = models.BooleanField(default=False)  # by the host; the log says why
    network_mark = models.CharField(max_length=64, blank=True)  # keyed hash; emptied with the counting

    class Meta:
        ordering = ["pk"]
        constraints = [models.UniqueConstraint(fields=["vote", "member"], name="one_ballot_a_member")]

    def __str__(self) -> str:
        return f"ballot {self.code}"


class BallotLine(models.Model):
    """One mix on a ballot. `code` is all that the voter's pages know of it."""

    ballot = models.ForeignKey(Ballot, on_delete=models.CASCADE, related_name="lines")
    entry = models.ForeignKey(Entry, on_delete=models.PROTECT, related_name="+")
    position = models.PositiveSmallIntegerField()
    label = models.CharField(max_length=4)
    code = models.CharField(max_length=32, unique=True)
    heard_s = models.FloatField(default=0.0)
    rank = models.PositiveSmallIntegerField(null=True)  # 1 for the best; null until the voter places it

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(fields=["ballot", "entry"], name="one_line_a_mix"),
            models.UniqueConstraint(fields=["ballot", "label"], name="one_letter_a_line"),
        ]

    def __str__(self) -> str:
        return f"mix {self.label}"
