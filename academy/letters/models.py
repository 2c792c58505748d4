"""Letters on their way, and the kinds that a person does not want."""

from __future__ import annotations

from django.conf import settings
from django.db import models


class LetterState(models.TextChoices):
    """waiting -> sent, or withheld from who does not want it, or too late to be of use, or given up."""

    WAITING = "waiting", "to be sent"
    SENT = "sent", "sent"
    WITHHELD = "withheld", "not wanted"
    TOO_LATE = "too_late", "too late to be of use"
    GIVEN_UP = "given_up", "given up"


class Letter(models.Model):
    """One letter to one address. Its words are kept until it is sent: they may hold links that open doors.

    The address goes too, after a while or, of who has no account, at once. Kind and key stay, so that no
    letter is ever written twice.
    """

    kind = models.CharField(max_length=60)
    key = models.CharField(max_length=120)  # what makes it this letter and no other of its kind
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.CASCADE, null=True, related_name="+"
    )
    address = models.EmailField(blank=True)
    subject = models.CharField(max_length=200, blank=True)
    text = models.TextField(blank=True)
    html = models.TextField(blank=True)
    state = models.CharField(max_length=10, choices=LetterState, default=LetterState.WAITING)
    tries = models.PositiveSmallIntegerField(default=0)
    next_try_at = models.DateTimeField()
    useful_until = models.DateTimeField(null=True)  # not sent from then on; null: always of use
    written_at = models.DateTimeField()
    settled_at = models.DateTimeField(null=True)
    trouble = models.TextField(blank=True)

    class Meta:
        ordering = ["-written_at", "-pk"]
        constraints = [
            models.UniqueConstraint(fields=["kind", "key"], name="one_letter_a_key"),
            models.CheckConstraint(
                condition=models.Q(state__in=LetterState.values), name="letter_state_is_known"
            ),
        ]
        indexes = [
            models.Index(fields=["state", "next_try_at"], name="letter_waiting"),
            models.Index(
                fields=["written_at"], condition=models.Q(address__gt=""), name="letter_to_be_forgotten"
            ),
        ]

    def __str__(self) -> str:
        return f"letter {self.pk}, {self.kind} ({self.state})"


class Unwanted(models.Model):
    """A person does not want letters of this kind."""

    person = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    kind = models.CharField(max_length=60)
    since = models.DateTimeField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["person", "kind"], name="unwanted_once")]

    def __str__(self) -> str:
        return f"{self.person} does not want {self.kind}"
