"""Claim a job and write it back. Whoever changed the row owns it, for the length of a lease."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import F
from django.utils import timezone

from analysis.jobs.models import Job, JobState

LEASE = timedelta(seconds=90)
MAX_ATTEMPTS = 3
FIRST_WAIT = timedelta(seconds=10)  # doubled by each further attempt


class LeaseLost(Exception):
    """Another worker took the job over while this one slept; what this one found is thrown away."""


class Claim:
    """The right to do one job, until the lease runs out."""

    def __init__(self, job: Job) -> None:
        self.job = job
        self.subject = job.subject
        self.is_finished = False

    @contextmanager
    def finishing(self) -> Iterator[None]:
        """Write the result and end the job in one transaction.

        Raises LeaseLost, and leaves nothing written, when the job is no longer this worker's.
        """
        with transaction.atomic():
            self._end()
            yield
        self.is_finished = True

    def _end(self) -> None:
        changed = Job.objects.filter(
            pk=self.job.pk, state=JobState.RUNNING, lease_token=self.job.lease_token
        ).update(
            state=JobState.DONE, finished_at=timezone.now(), lease_token=None, lease_until=None, trouble=""
        )
        if not changed:
            raise LeaseLost(str(self.job))


def claim(job_id: int, *, now: datetime) -> Job | None:
    """Take one waiting job by a single conditional UPDATE. None when it is not to be had."""
    token = uuid.uuid4()
    changed = Job.objects.filter(pk=job_id, state=JobState.QUEUED, run_after__lte=now).update(
        state=JobState.RUNNING, attempt=F("attempt") + 1, lease_token=token, lease_until=now + LEASE
    )
    return Job.objects.get(pk=job_id) if changed else None


def put_back(job: Job, *, trouble: str) -> None:
    """Queue a failed attempt again, later each time; after the last one say so and stop."""
    now = timezone.now()
    mine = Job.objects.filter(pk=job.pk, state=JobState.RUNNING, lease_token=job.lease_token)
    if job.attempt >= MAX_ATTEMPTS:
        mine.update(
            state=JobState.FAILED, trouble=trouble, finished_at=now, lease_token=None, lease_until=None
        )
        return
    wait = FIRST_WAIT * 2 ** (job.attempt - 1)
    mine.update(
        state=JobState.QUEUED, trouble=trouble, run_after=now + wait, lease_token=None, lease_until=None
    )
