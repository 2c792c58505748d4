"""What the machine noticed about the entries of a closed contest, and what the host decided about it."""

from __future__ import annotations

from datetime import datetime

from django.db import models

from analysis.listening.models import MatchPlan
from contests.models.contest import Contest
from contests.models.entry import Entry
from contests.models.result import Decision
from contests.states import RulingKind


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
    reference_offset_s = models.FloatField(null=True)  # how late the reference starts against the stems

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
    is_aligned = models.BooleanField(null=True)  # with its stems; null where that was not looked at
    offset_s = models.FloatField(null=True)  # how late against the reference, else the stems; null if unsure
    is_turned = models.BooleanField(default=False)  # its polarity, against its stems
    foreign = models.JSONField(null=True)  # as `measuring.foreign_files` gives it; null where not measured
    trouble = models.TextField(blank=True)
    asks = models.BooleanField(
        default=False
    )  # whether anything that was noticed asks the host for a decision

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


class FindingBooth(models.Model):
    """The set in which a host hears one entry beside what it is said to be like. Made when it is asked
    for.
    """

    entry = models.OneToOneField(Entry, on_delete=models.CASCADE, related_name="finding_booth")
    plan = models.OneToOneField(MatchPlan, on_delete=models.PROTECT, related_name="+")

    def __str__(self) -> str:
        return f"booth about {self.entry}"


class Ruling(models.Model):
    """What the host decided about one entry, and what the entrant answered. The last one of an entry counts.

    `found` keeps the findings in the words that the entrant read: screening anew does not change what a
    decision stood on. Of a repair there is a window, and at most one upload that came within it.
    """

    entry = models.ForeignKey(Entry, on_delete=models.PROTECT, related_name="rulings")
    kind = models.CharField(max_length=12, choices=RulingKind)
    reason = models.TextField()
    found = models.JSONField(default=list)
    decided_at = models.DateTimeField()
    line = models.OneToOneField(Decision, on_delete=models.PROTECT, related_name="+")
    repair_until = models.DateTimeField(null=True)
    repair = models.OneToOneField(Entry, on_delete=models.PROTECT, null=True, related_name="repair_of")
    lapsed_at = models.DateTimeField(null=True)
    answer = models.TextField(blank=True)  # empty again once its writer has left the site
    answered_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(kind__in=RulingKind.values), name="ruling_kind_is_known"
            ),
            models.CheckConstraint(
                condition=models.Q(kind=RulingKind.REPAIR.value, repair_until__isnull=False)
                | models.Q(~models.Q(kind=RulingKind.REPAIR.value), repair_until__isnull=True),
                name="only_a_repair_has_a_window",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.entry}: {self.get_kind_display()}"

    def takes_a_repair(self, now: datetime) -> bool:
        """Whether an upload whose last byte arrived at `now` is in time. The window's last second is too
        late.
        """
        return self.repair_until is not None and self.repair_id is None and now < self.repair_until
