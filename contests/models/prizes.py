"""Who gets which prize, how far it has come, and the private lines that are kept on the way only."""

from __future__ import annotations

from datetime import datetime

from django.conf import settings
from django.db import models, transaction

from contests.models.contest import Contest, Prize
from contests.models.entry import Entry
from contests.states import (
    AWARD_MOVES,
    HELD_AWARD,
    TURN_MOVES,
    AwardState,
    MoveNotAllowed,
    StateChanged,
    TurnState,
)


class Award(models.Model):
    """One prize given to one entry. What was declined or passed on stays, and the prize gets another row."""

    prize = models.ForeignKey(Prize, on_delete=models.PROTECT, related_name="awards")
    entry = models.ForeignKey(Entry, on_delete=models.PROTECT, related_name="awards")
    state = models.CharField(max_length=12, choices=AwardState, default=AwardState.PLANNED)
    given_at = models.DateTimeField()
    confirm_by = models.DateTimeField(null=True)  # null until the winner is told

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(state__in=AwardState.values), name="award_state_is_known"
            ),
            models.UniqueConstraint(
                fields=["prize"],
                condition=models.Q(state__in=[state.value for state in HELD_AWARD]),
                name="one_holder_a_prize",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.prize} for {self.entry}"

    @transaction.atomic
    def move_to(self, new_state: AwardState, *, actor: models.Model | None, now: datetime) -> None:
        """Take one arrow of the drawing and record it. `actor` is None for the system."""
        old_state = AwardState(self.state)
        if new_state not in AWARD_MOVES[old_state]:
            raise MoveNotAllowed(f"{self}: no move from {old_state} to {new_state}")
        if not Award.objects.filter(pk=self.pk, state=old_state).update(state=new_state):
            raise StateChanged(f"{self}: no longer {old_state}")
        self.moves.create(old_state=old_state, new_state=new_state, actor=actor, moved_at=now)
        self.state = new_state


class AwardMove(models.Model):
    """One arrow that a hand-out took. Never edited; it holds nothing private."""

    award = models.ForeignKey(Award, on_delete=models.CASCADE, related_name="moves")
    old_state = models.CharField(max_length=12, blank=True)
    new_state = models.CharField(max_length=12, choices=AwardState)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    moved_at = models.DateTimeField()

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return f"{self.award}: {self.old_state} to {self.new_state}"


class Turn(models.Model):
    """One winner's turn to choose among the prizes that are left. One entry has one turn."""

    contest = models.ForeignKey(Contest, on_delete=models.PROTECT, related_name="turns")
    entry = models.OneToOneField(Entry, on_delete=models.PROTECT, related_name="turn")
    state = models.CharField(max_length=12, choices=TurnState, default=TurnState.ASKED)
    days = models.PositiveSmallIntegerField()  # how long the choice may take; the next one gets as many
    asked_at = models.DateTimeField()
    choose_by = models.DateTimeField()
    ended_at = models.DateTimeField(null=True)
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(state__in=TurnState.values), name="turn_state_is_known"
            ),
            models.UniqueConstraint(
                fields=["contest"],
                condition=models.Q(state=TurnState.ASKED.value),
                name="one_is_asked_at_a_time",
            ),
        ]

    def __str__(self) -> str:
        return f"turn of {self.entry}"

    def end(self, new_state: TurnState, *, actor: models.Model | None, now: datetime) -> None:
        """Take the one arrow that a turn has, and record when and by whom. `actor` is None for the system."""
        old_state = TurnState(self.state)
        if new_state not in TURN_MOVES[old_state]:
            raise MoveNotAllowed(f"{self}: no move from {old_state} to {new_state}")
        ended = {"state": new_state, "ended_at": now, "ended_by": actor}
        if not Turn.objects.filter(pk=self.pk, state=old_state).update(**ended):
            raise StateChanged(f"{self}: no longer {old_state}")
        self.state, self.ended_at, self.ended_by = new_state, now, actor  # type: ignore[assignment]


class PrivateKind(models.TextChoices):
    """What a private line holds."""

    ADDRESS = "address", "postal address"
    CODE = "code", "code or link"


class PrivateLine(models.Model):
    """Where a prize is to be sent, or the code that is the prize. Erasing it deletes the row.

    It is a row of its own, so that no page, list or export about hand-outs can show it by accident.
    """

    award = models.ForeignKey(Award, on_delete=models.CASCADE, related_name="private_lines")
    kind = models.CharField(max_length=8, choices=PrivateKind)
    text = models.TextField()
    written_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["award", "kind"], name="one_private_line_a_kind"),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} of {self.award}"  # never its text: this reaches error pages
