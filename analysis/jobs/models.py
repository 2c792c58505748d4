"""The job table: one row a piece of slow work. The row is the truth; the queue message is a nudge.

Beside it stands when the clock was last heard.
"""

from __future__ import annotations

from django.db import models


class JobState(models.TextChoices):
    """What a job is doing. queued -> running -> done, or back to queued, or failed for good."""

    QUEUED = "queued", "waiting"
    RUNNING = "running", "at work"
    DONE = "done", "done"
    FAILED = "failed", "given up"


class Job(models.Model):
    """One piece of slow work on one subject."""

    kind = models.CharField(max_length=40)
    subject = models.CharField(max_length=40)
    state = models.CharField(max_length=10, choices=JobState, default=JobState.QUEUED)
    attempt = models.PositiveSmallIntegerField(default=0)
    lease_token = models.UUIDField(null=True)
    lease_until = models.DateTimeField(null=True)
    run_after = models.DateTimeField()
    requested_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True)
    trouble = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["kind", "subject"], name="one_job_a_subject"),
            models.CheckConstraint(condition=models.Q(state__in=JobState.values), name="job_state_is_known"),
        ]
        indexes = [
            models.Index(fields=["state", "run_after"], name="job_waiting"),
            models.Index(fields=["state", "kind", "run_after"], name="job_waiting_by_kind"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.subject} ({self.state})"


class ClockHeard(models.Model):
    """When a worker last did what the clock rings for; one row a task."""

    task = models.CharField(max_length=40, primary_key=True)
    heard_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.task} at {self.heard_at}"
