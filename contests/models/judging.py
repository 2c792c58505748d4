"""Rounds, the panel, who hears what, and the score sheets."""

from __future__ import annotations

from django.conf import settings
from django.db import models, transaction

from analysis.listening.models import MatchPlan
from contests.models.contest import Contest, Criterion
from contests.models.entry import Entry
from contests.states import ROUND_MOVES, HearingState, MoveNotAllowed, RoundState, StateChanged


class Judge(models.Model):
    """A member's seat on a contest's panel."""

    contest = models.ForeignKey(Contest, on_delete=models.CASCADE, related_name="judges")
    member = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="seats")
    has_left = models.BooleanField(default=False)  # dropped out; sheets that were submitted stay
    reminded_of = models.DateTimeField(null=True)  # the end of judging that the last reminder was about

    class Meta:
        constraints = [models.UniqueConstraint(fields=["contest", "member"], name="one_seat_a_judge")]

    def __str__(self) -> str:
        return f"{self.member} on the panel of {self.contest}"


class Conflict(models.Model):
    """A judge must not hear this person's mixes: family, pupil, partner, employer. By address, as entered."""

    judge = models.ForeignKey(Judge, on_delete=models.CASCADE, related_name="conflicts")
    email = models.EmailField()  # in lower case; whoever has this address or takes it later
    declared_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    declared_at = models.DateTimeField()

    class Meta:
        ordering = ["email"]
        constraints = [models.UniqueConstraint(fields=["judge", "email"], name="one_conflict_a_person")]

    def __str__(self) -> str:
        return f"{self.judge.member} and {self.email}"


class RoundKind(models.TextChoices):
    """What is asked of a judge about each entry."""

    SCORES = "scores", "scores on every criterion, and a comment"
    SORTING = "sorting", "quick sorting: keep, unsure or pass"


class Round(models.Model):
    """One round of hearings: how it is laid out, and its own match plan, order and labels."""

    contest = models.ForeignKey(Contest, on_delete=models.CASCADE, related_name="rounds")
    number = models.PositiveSmallIntegerField(default=1)
    state = models.CharField(max_length=10, choices=RoundState, default=RoundState.PREPARING)
    plan = models.ForeignKey(MatchPlan, on_delete=models.PROTECT, null=True, related_name="+")
    kind = models.CharField(max_length=8, choices=RoundKind, default=RoundKind.SCORES)
    hearings_per_entry = models.PositiveSmallIntegerField()
    heard_by_all = models.BooleanField(default=False)  # the whole panel hears each entry, but for conflicts
    asks_order = models.BooleanField(default=False)  # each judge also puts what was heard in order
    excerpt_start_s = models.FloatField(null=True, blank=True)  # of the reference mix; null: the whole piece
    excerpt_end_s = models.FloatField(null=True, blank=True)
    goes_on = models.PositiveSmallIntegerField(null=True, blank=True)  # the cut line; null in a last round
    takes_borderline = models.BooleanField(default=True)  # whether borderline entries go on as well
    repeats = models.PositiveSmallIntegerField(default=0)  # hidden repeats a judge
    anchors = models.ManyToManyField(Entry, blank=True, related_name="+")  # heard by the whole panel
    seed = models.BigIntegerField(default=0)  # drawn when the round is prepared

    class Meta:
        ordering = ["number"]
        constraints = [
            models.UniqueConstraint(fields=["contest", "number"], name="one_round_a_number"),
            models.CheckConstraint(
                condition=models.Q(state__in=RoundState.values), name="round_state_is_known"
            ),
            models.CheckConstraint(
                condition=models.Q(excerpt_start_s__isnull=True, excerpt_end_s__isnull=True)
                | models.Q(excerpt_start_s__gte=0, excerpt_end_s__gt=models.F("excerpt_start_s")),
                name="excerpt_starts_before_it_ends",
            ),
        ]

    def __str__(self) -> str:
        return f"round {self.number} of {self.contest}"

    @property
    def is_sorting(self) -> bool:
        """Whether judges sort quickly instead of scoring."""
        return self.kind == RoundKind.SORTING

    @property
    def is_excerpt(self) -> bool:
        """Whether a part of the piece is heard."""
        return self.excerpt_start_s is not None

    @transaction.atomic
    def move_to(self, new_state: RoundState) -> None:
        """Take one arrow of the drawing. The decision log records who and why."""
        old_state = RoundState(self.state)
        if new_state not in ROUND_MOVES[old_state]:
            raise MoveNotAllowed(f"{self}: no move from {old_state} to {new_state}")
        if not Round.objects.filter(pk=self.pk, state=old_state).update(state=new_state):
            raise StateChanged(f"{self}: no longer {old_state}")
        self.state = new_state


class Assignment(models.Model):
    """One judge is to hear one entry. `code` is all that the judge's pages know of it."""

    round = models.ForeignKey(Round, on_delete=models.CASCADE, related_name="assignments")
    judge = models.ForeignKey(Judge, on_delete=models.CASCADE, related_name="assignments")
    entry = models.ForeignKey(Entry, on_delete=models.PROTECT, related_name="assignments")
    repeat = models.PositiveSmallIntegerField(default=0)  # 1 for the hidden second hearing
    position = models.PositiveSmallIntegerField()
    label = models.CharField(max_length=4)
    code = models.CharField(max_length=32, unique=True)
    state = models.CharField(max_length=12, choices=HearingState, default=HearingState.WAITING)
    heard_s = models.FloatField(default=0.0)
    plays = models.PositiveIntegerField(default=0)  # how many times the judge turned to it and heard it
    session = models.ForeignKey(
        "JudgingSession", on_delete=models.SET_NULL, null=True, related_name="first_heard"
    )  # in which it was first heard
    session_position = models.PositiveSmallIntegerField(null=True)  # among what was first heard there, from 1

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(fields=["round", "judge", "entry", "repeat"], name="one_hearing_a_judge"),
            models.UniqueConstraint(fields=["round", "judge", "label"], name="one_label_a_hearing"),
            models.CheckConstraint(
                condition=models.Q(state__in=HearingState.values), name="hearing_state_is_known"
            ),
        ]

    def __str__(self) -> str:
        return f"hearing {self.label}"


class JudgingSession(models.Model):
    """One stretch of hearing by one judge, from rest to rest, as the booth told of it."""

    round = models.ForeignKey(Round, on_delete=models.CASCADE, related_name="sessions")
    judge = models.ForeignKey(Judge, on_delete=models.CASCADE, related_name="sessions")
    number = models.PositiveSmallIntegerField()
    begun_at = models.DateTimeField()
    heard_at = models.DateTimeField()  # the last time that something was heard
    heard_s = models.FloatField(default=0.0)
    last = models.ForeignKey(Assignment, on_delete=models.SET_NULL, null=True, related_name="+")  # heard last

    class Meta:
        ordering = ["number"]
        constraints = [
            models.UniqueConstraint(fields=["round", "judge", "number"], name="one_session_a_number")
        ]

    def __str__(self) -> str:
        return f"session {self.number} of {self.judge.member} in {self.round}"


class ScoreSheet(models.Model):
    """What one judge wrote about one entry. Saved as typed; sealed once submitted."""

    assignment = models.OneToOneField(Assignment, on_delete=models.CASCADE, related_name="sheet")
    verdict = models.CharField(max_length=6, blank=True)  # in a round of sorting
    comment = models.TextField(blank=True)  # to the entrant
    private_note = models.TextField(blank=True)  # the judge's own
    saved_at = models.DateTimeField()
    submitted_at = models.DateTimeField(null=True)

    def __str__(self) -> str:
        return f"sheet of {self.assignment}"


class Score(models.Model):
    """One criterion's score on one sheet."""

    sheet = models.ForeignKey(ScoreSheet, on_delete=models.CASCADE, related_name="scores")
    criterion = models.ForeignKey(Criterion, on_delete=models.PROTECT, related_name="+")
    value = models.DecimalField(max_digits=5, decimal_places=2)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["sheet", "criterion"], name="one_score_a_criterion")]

    def __str__(self) -> str:
        return f"{self.criterion}: {self.value}"


class SheetNote(models.Model):
    """A remark at a time or over a range of what was heard, in seconds from the start of the copy."""

    sheet = models.ForeignKey(ScoreSheet, on_delete=models.CASCADE, related_name="notes")
    start_s = models.FloatField()
    end_s = models.FloatField(null=True)  # null: a moment
    text = models.TextField()
    to_entrant = models.BooleanField(default=False)  # else the judge's own

    class Meta:
        ordering = ["start_s", "pk"]
        constraints = [
            models.CheckConstraint(condition=models.Q(start_s__gte=0), name="remark_starts_in_the_song"),
            models.CheckConstraint(
                condition=models.Q(end_s=None) | models.Q(end_s__gt=models.F("start_s")),
                name="remark_ends_after_its_start",
            ),
        ]

    def __str__(self) -> str:
        return f"note at {self.start_s} s on {self.sheet}"


class JudgeOrder(models.Model):
    """One judge's own order of what was heard in a round, best first. Sealed once submitted."""

    round = models.ForeignKey(Round, on_delete=models.CASCADE, related_name="orders")
    judge = models.ForeignKey(Judge, on_delete=models.CASCADE, related_name="orders")
    hearings = models.JSONField(default=list)  # primary keys of assignments, best first
    submitted_at = models.DateTimeField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["round", "judge"], name="one_order_a_judge")]

    def __str__(self) -> str:
        return f"order of {self.judge.member} in {self.round}"
