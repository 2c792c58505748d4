"""The work that waits, done at once in the test's own process."""

from __future__ import annotations

from datetime import datetime

from analysis.jobs import running
from analysis.jobs.models import Job, JobState


def work_off(*kinds: str, until: datetime | None = None) -> None:
    """Do each job that waits now as a worker would, of the kinds named or of all. None of them may fail.

    What these jobs ask for waits for the next call. With `until`, so does what is to run after that moment.
    """
    waiting = Job.objects.filter(state=JobState.QUEUED)
    if kinds:
        waiting = waiting.filter(kind__in=kinds)
    if until is not None:
        waiting = waiting.filter(run_after__lte=until)
    for job in waiting.order_by("pk"):
        assert running.run(job.pk), Job.objects.get(pk=job.pk).trouble
