"""Which jobs wait for a worker or are under way, and which of them goes first."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.db.models import Case, IntegerField, QuerySet, Value, When

from analysis.jobs.kinds import Urgency, kinds_of, urgency_of
from analysis.jobs.models import Job, JobState


def is_due(job: Job, now: datetime) -> bool:
    """Whether the job waits and its time has come."""
    return job.state == JobState.QUEUED and job.run_after <= now


def waiting_since(moment: datetime) -> QuerySet[Job]:
    """Every job that has been due since that moment or longer: the most urgent first, then the oldest."""
    return _in_turn(Job.objects.filter(state=JobState.QUEUED, run_after__lte=moment))


def more_urgent(job: Job, now: datetime) -> QuerySet[Job]:
    """Every job that is due and more urgent than this one, in the same order."""
    ahead = [kind for one in Urgency if one < urgency_of(job.kind) for kind in kinds_of(one)]
    return _in_turn(Job.objects.filter(state=JobState.QUEUED, run_after__lte=now, kind__in=ahead))


def under_way(kinds: Sequence[str]) -> set[str]:
    """The subjects that a job of one of these kinds waits for or is at work on."""
    jobs = Job.objects.filter(kind__in=kinds, state__in=[JobState.QUEUED, JobState.RUNNING])
    return set(jobs.values_list("subject", flat=True))


def _in_turn(jobs: QuerySet[Job]) -> QuerySet[Job]:
    first_and_last = [
        When(kind__in=kinds_of(one), then=Value(int(one))) for one in (Urgency.FIRST, Urgency.LAST)
    ]
    turn = Case(*first_and_last, default=Value(int(Urgency.USUAL)), output_field=IntegerField())
    return jobs.order_by(turn, "run_after", "pk")
