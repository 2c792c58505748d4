"""Who wants to be reminded of a deadline, and what a host wrote to many."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models

from academy.letters.models import Letter
from contests.models.contest import Contest


class Reminder(models.Model):
    """A member asked to be reminded of a contest's close.

    Each of the two moments remembers the close that its letter was about: where the close is moved, a letter
    about the new one is due.
    """

    contest = models.ForeignKey(Contest, on_delete=models.CASCADE, related_name="reminders")
    member = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="reminders")
    asked_at = models.DateTimeField()
    early_about = models.DateTimeField(null=True)
    late_about = models.DateTimeField(null=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["contest", "member"], name="one_reminder_a_member")]

    def __str__(self) -> str:
        return f"{self.member} wants to be reminded of {self.contest}"


class Audience(models.TextChoices):
    """Whom a message goes to. Groups, never single people: while a contest is blind, a host cannot pick."""

    ENTRANTS = "entrants", "everybody who has an entry"
    READY = "ready", "entrants whose entry is ready"
    ATTENTION = "attention", "entrants whose entry needs attention"
    DISQUALIFIED = "disqualified", "entrants whose entry is disqualified"
    JUDGES = "judges", "all judges"
    JUDGES_MISSING = "judges_missing", "judges with sheets still missing"


class Message(models.Model):
    """One message of a host to an audience; a job writes a letter to each. Never edited."""

    contest = models.ForeignKey(Contest, on_delete=models.CASCADE, related_name="messages")
    once = models.UUIDField(unique=True, default=uuid.uuid4)  # made with the preview: sent twice, it is one
    audience = models.CharField(max_length=20, choices=Audience)
    subject = models.CharField(max_length=120)
    text = models.TextField()
    written_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    written_at = models.DateTimeField()
    people = models.PositiveIntegerField(null=True)  # in the audience when it was written to; null until then
    letters = models.ManyToManyField(Letter, related_name="+")

    class Meta:
        ordering = ["-written_at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(audience__in=Audience.values), name="audience_is_known"
            ),
        ]

    def __str__(self) -> str:
        return f"message {self.pk} of {self.contest}"
