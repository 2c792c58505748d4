"""Find what was left behind: leases of dead workers, and jobs whose bell nobody heard."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.utils import timezone

from analysis.jobs import doorbell, waiting
from analysis.jobs.claiming import put_back
from analysis.jobs.models import ClockHeard, Job, JobState

UNHEARD_AFTER = timedelta(seconds=20)
SWEEP = "sweep"
"""The task by which the clock is known to be heard: it rings for no other one as often."""
RUNG_AT_ONCE = 500
"""Bells of one sweep at most. Thousands that wait their turn would get thousands of further bells each time,
and a worker is held up for as long as they are rung. What is left out is rung for by the next sweep.
"""


@dataclass(frozen=True)
class Swept:
    """What one sweep did."""

    recovered: int
    given_up: int
    rung_again: int


def sweep(now: datetime | None = None) -> Swept:
    """Put back jobs whose worker died, and ring again for those that have waited, the most urgent first."""
    now = now or timezone.now()
    recovered = given_up = 0
    for job in Job.objects.filter(state=JobState.RUNNING, lease_until__lt=now):
        put_back(job, trouble="the worker that had it stopped without a word")
        job.refresh_from_db()
        recovered += job.state == JobState.QUEUED
        given_up += job.state == JobState.FAILED

    unheard = waiting.waiting_since(now - UNHEARD_AFTER).values_list("pk", flat=True)[:RUNG_AT_ONCE]
    doorbell.try_again()
    rung = sum(doorbell.ring(pk) for pk in unheard)
    return Swept(recovered, given_up, rung)


def sweep_by_the_clock() -> Swept:
    """Sweep because the clock rang, and keep that it was heard."""
    now = timezone.now()
    ClockHeard.objects.update_or_create(task=SWEEP, defaults={"heard_at": now})
    return sweep(now)
