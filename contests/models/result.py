"""A standing is computed and frozen; a result is decided by the host and published."""

from __future__ import annotations

from django.conf import settings
from django.db import models

from contests.models.contest import Contest
from contests.models.entry import Entry


class Standing(models.Model):
    """What the arithmetic said at the moment of the decision, with its working."""

    contest = models.OneToOneField(Contest, on_delete=models.PROTECT, related_name="standing")
    computed_at = models.DateTimeField()
    working = models.JSONField()  # the standing as contests.scoring gives it, entries by primary key

    def __str__(self) -> str:
        return f"standing of {self.contest}"


class Result(models.Model):
    """One entry's place, as decided by the host."""

    contest = models.ForeignKey(Contest, on_delete=models.PROTECT, related_name="results")
    entry = models.OneToOneField(Entry, on_delete=models.PROTECT, related_name="result")
    place = models.PositiveSmallIntegerField()
    code = models.CharField(max_length=32, unique=True)  # its address in the results booth

    class Meta:
        ordering = ["place", "pk"]

    def __str__(self) -> str:
        return f"place {self.place}: {self.entry}"


class Decision(models.Model):
    """One line of the decision log: who, when, what, why. Each line holds the hash of the one before."""

    contest = models.ForeignKey(Contest, on_delete=models.PROTECT, related_name="decisions")
    number = models.PositiveIntegerField()
    decided_at = models.DateTimeField()
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    action = models.CharField(max_length=60)
    reason = models.TextField(blank=True)
    details = models.JSONField(default=dict)
    previous_hash = models.CharField(max_length=64)
    hash = models.CharField(max_length=64)

    class Meta:
        ordering = ["number"]
        constraints = [models.UniqueConstraint(fields=["contest", "number"], name="one_decision_a_number")]

    def __str__(self) -> str:
        return f"{self.contest}, decision {self.number}: {self.action}"
