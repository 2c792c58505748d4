"""An entry: one upload into a contest, its receipt, and what became of it."""

from __future__ import annotations

from django.conf import settings
from django.db import models, transaction

from analysis.intake.models import Recording
from contests.models.contest import Contest
from contests.states import ENTRY_MOVES, STANDING_ENTRY, EntryState, MoveNotAllowed, StateChanged


class Entry(models.Model):
    """One upload. Replacing makes a new row; the earlier one stands until the new one is ready."""

    contest = models.ForeignKey(Contest, on_delete=models.PROTECT, related_name="entries")
    member = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="entries")
    recording = models.ForeignKey(Recording, on_delete=models.PROTECT, related_name="+")
    state = models.CharField(max_length=12, choices=EntryState, default=EntryState.CHECKING)
    note_to_judges = models.TextField(blank=True)  # hidden while blind
    findings = models.JSONField(default=list)  # [{"code", "message"}], in the entrant's words

    # The receipt. Size and SHA-256 are the recording's.
    receipt = models.CharField(max_length=20, unique=True)
    received_at = models.DateTimeField()
    begun_at = models.DateTimeField(null=True)  # when its upload was opened; null for one that came in a form
    rules_version = models.PositiveIntegerField()

    class Meta:
        ordering = ["received_at"]
        indexes = [models.Index(fields=["contest", "state"], name="entry_in_state")]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(state__in=EntryState.values), name="entry_state_is_known"
            ),
            models.UniqueConstraint(
                fields=["contest", "member"],
                condition=models.Q(state__in=[state.value for state in STANDING_ENTRY]),
                name="one_standing_entry",
            ),
            models.UniqueConstraint(
                fields=["contest", "member"],
                condition=models.Q(state=EntryState.CHECKING.value),
                name="one_entry_being_checked",
            ),
        ]

    def __str__(self) -> str:
        return f"entry {self.receipt}"

    @transaction.atomic
    def move_to(self, new_state: EntryState, *, actor: models.Model | None = None, note: str = "") -> None:
        """Take one arrow of the drawing and record it. `actor` is None for the system."""
        old_state = EntryState(self.state)
        if new_state not in ENTRY_MOVES[old_state]:
            raise MoveNotAllowed(f"{self}: no move from {old_state} to {new_state}")
        # Compare-and-set: the WHERE clause lets exactly one of two racing callers win.
        if not Entry.objects.filter(pk=self.pk, state=old_state).update(state=new_state):
            raise StateChanged(f"{self}: no longer {old_state}")
        self.moves.create(old_state=old_state, new_state=new_state, actor=actor, note=note)
        self.state = new_state


class EntryMove(models.Model):
    """One arrow that an entry took. Never edited."""

    entry = models.ForeignKey(Entry, on_delete=models.CASCADE, related_name="moves")
    old_state = models.CharField(max_length=12)
    new_state = models.CharField(max_length=12)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    note = models.TextField(blank=True)
    moved_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return f"{self.entry}: {self.old_state} to {self.new_state}"
