"""Is the site alive, and is it ready? Job age is what counts: a worker may be up and deaf."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from celery import current_app
from django.conf import settings
from django.core.files.storage import storages
from django.db import connection
from django.utils import timezone

from analysis.jobs.kinds import Urgency, kinds_of
from analysis.jobs.models import ClockHeard, Job, JobState
from analysis.jobs.sweeping import SWEEP

OLDEST_WAIT = timedelta(minutes=5)
OLDEST_WAIT_OF_LAST = timedelta(hours=1)
"""What goes last may wait so long: thousands of letters to a slow mail server are no sign of a deaf worker.
Common practice, no source.
"""
CLOCK_UNHEARD = timedelta(minutes=20)
"""A worker alone hears nothing while it is at a job, which may take CELERY_TASK_TIME_LIMIT, 16 minutes."""
BEGAN = timezone.now()
"""When this process began. What went unheard before then may only mean that the site stood still."""
LEAST_FREE_BYTES = 2 * 1024**3


@dataclass(frozen=True)
class Finding:
    """One thing that was looked at."""

    name: str
    is_good: bool
    words: str


def oldest_wait(now: datetime) -> timedelta | None:
    """How long the oldest waiting job has been due; None while none waits."""
    waiting = Job.objects.filter(state=JobState.QUEUED).order_by("run_after")
    due_at = waiting.values_list("run_after", flat=True).first()
    return max(now - due_at, timedelta(0)) if due_at else None


def is_late(now: datetime) -> bool:
    """Whether a job has waited for longer than its kind should."""
    waiting = Job.objects.filter(state=JobState.QUEUED, run_after__lt=now - OLDEST_WAIT)
    may_wait = {"kind__in": kinds_of(Urgency.LAST), "run_after__gte": now - OLDEST_WAIT_OF_LAST}
    return waiting.exclude(**may_wait).exists()


def free_bytes() -> int:
    """What is free on the disk that this process writes to."""
    return shutil.disk_usage(settings.DATA_DIR).free


def findings() -> list[Finding]:
    """Look at database, storage, broker, the oldest waiting job, the clock and the free disk."""
    looks: dict[str, Callable[[], str]] = {
        "database": _database,
        "storage": _storage,
        "broker": _broker,
        "oldest job": _oldest_job,
        "clock": _clock,
        "free disk": _free_disk,
    }
    return [_looked_at(name, look) for name, look in looks.items()]


class NotWell(Exception):
    """What a look found wanting, in words."""


def _looked_at(name: str, look: Callable[[], str]) -> Finding:
    try:
        return Finding(name, True, look())
    except NotWell as exc:
        return Finding(name, False, str(exc))
    except Exception as exc:  # whatever the trouble is, this page must say it rather than fail
        return Finding(name, False, type(exc).__name__)


def _database() -> str:
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
    return "answers"


def _storage() -> str:
    storages["recordings"].exists("health")
    return "answers"


def _broker() -> str:
    with current_app.connection_for_write(transport_options={"socket_timeout": 3}) as line:
        line.ensure_connection(max_retries=1, timeout=3)
    return "answers"


def _oldest_job() -> str:
    now = timezone.now()
    age = oldest_wait(now) or timedelta(0)
    words = f"waits {age.total_seconds():.0f} s"
    if is_late(now):
        raise NotWell(
            f"{words}: is a worker running, and does it take from the queue "
            f"“{settings.CELERY_TASK_DEFAULT_QUEUE}”?"
        )
    return words


def _clock() -> str:
    """A worker that takes from the other queue only leaves sweeps, reminders and due results undone."""
    now = timezone.now()
    heard_at = ClockHeard.objects.filter(task=SWEEP).values_list("heard_at", flat=True).first()
    words = f"heard {(now - heard_at).total_seconds():.0f} s ago" if heard_at else "not heard yet"
    if now - max(heard_at or BEGAN, BEGAN) > CLOCK_UNHEARD:
        raise NotWell(
            f"{words}: does one worker run with --beat, and some worker take from the queue "
            f"“{settings.CLOCK}”?"
        )
    return words


def _free_disk() -> str:
    free = free_bytes()
    words = f"{free / 1024**3:.1f} GiB"
    if free < LEAST_FREE_BYTES:
        raise NotWell(words)
    return words
