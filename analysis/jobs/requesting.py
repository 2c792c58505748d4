"""Ask for a piece of slow work to be done."""

from __future__ import annotations

from datetime import datetime
from functools import partial

from django.db import transaction
from django.utils import timezone

from analysis.jobs import doorbell
from analysis.jobs.models import Job, JobState


def request(kind: str, subject: object, *, not_before: datetime | None = None) -> Job:
    """Put one job on the table and ring for it once the surrounding transaction is committed.

    Asking again while the job waits or runs changes nothing; asking again after it ended queues it anew. With
    `not_before` nobody rings: the sweep finds the job once its time has come.
    """
    now = timezone.now()
    job, is_new = Job.objects.get_or_create(
        kind=kind, subject=str(subject), defaults={"run_after": not_before or now, "requested_at": now}
    )
    if is_new and not_before is None:
        transaction.on_commit(partial(doorbell.ring, job.pk))
    elif not is_new:
        retry(job)
    return job


def retry(job: Job) -> bool:
    """Put an ended job back on the table with a fresh count of attempts. False when it has not ended."""
    changed = Job.objects.filter(pk=job.pk, state__in=[JobState.DONE, JobState.FAILED]).update(
        state=JobState.QUEUED, attempt=0, run_after=timezone.now(), trouble="", finished_at=None
    )
    job.refresh_from_db()
    if changed:
        transaction.on_commit(partial(doorbell.ring, job.pk))
    return bool(changed)


def state_of(kind: str, subject: object) -> JobState | None:
    """What the job is doing, or None when nobody asked for it."""
    state = Job.objects.filter(kind=kind, subject=str(subject)).values_list("state", flat=True).first()
    return JobState(state) if state else None
