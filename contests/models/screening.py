"""What the machine noticed about the entries of a closed contest. Nothing here decides anything."""

from __future__ import annotations

from django.db import models

from contests.models.contest import Contest
from contests.models.entry import Entry


class ScreeningState(models.TextChoices):
    """waiting -> done, and waiting again when it is done anew."""

    WAITING = "waiting", "being screened"
    DONE = "done", "screened"


class Screening(models.Model):
    """The last screening of a contest. Done anew, it replaces the one before."""

    contest = models.OneToOneField(Contest, on_delete=models.CASCADE, related_name="screening")
    state = models.CharField(max_length=10, choices=ScreeningState, default=ScreeningState.WAITING)
    begun_at = models.DateTimeField()
    reference_sketch = models.JSONField(null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=models.Q(state__in=ScreeningState.values), name="screening_state_is_known"
            )
        ]

    def __str__(self) -> str:
        return f"screening of {self.contest}"


class ScreenedEntry(models.Model):
    """One entry as it is compared: its sketch, its speed, or why it could not be read."""

    screening = models.ForeignKey(Screening, on_delete=models.CASCADE, related_name="screened")
    entry = models.ForeignKey(Entry, on_delete=models.CASCADE, related_name="+")
    sketch = models.JSONField(null=True)
    speed = models.TextField(blank=True)  # the advice, where it plays at another speed
    trouble = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["screening", "entry"], name="one_sketch_an_entry"),
        ]

    def __str__(self) -> str:
        return f"{self.entry} as screened"


class Likeness(models.Model):
    """Two entries that match, or one and the reference mix, which is told by `other` being null."""

    screening = models.ForeignKey(Screening, on_delete=models.CASCADE, related_name="likenesses")
    entry = models.ForeignKey(Entry, on_delete=models.CASCADE, related_name="+")
    other = models.ForeignKey(Entry, on_delete=models.CASCADE, null=True, related_name="+")
    kind = models.CharField(max_length=24)
    likeness = models.FloatField()  # the share of energy in common, 0 to 1

    class Meta:
        ordering = ["-likeness", "pk"]

    def __str__(self) -> str:
        return f"{self.entry} and {self.other or 'the reference'}: {self.kind}"
