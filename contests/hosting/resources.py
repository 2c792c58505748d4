"""What a contest takes of the machine, and how far the machine is behind."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Count, Sum

from analysis.jobs import health
from contests.models import Contest


@dataclass(frozen=True)
class Resources:
    """Files and bytes of every upload of one contest, replaced ones too; the whole site's free disk and jobs.

    `oldest_wait_s` is None while no job waits. `is_late` and `is_full` go by the limits of the health page.
    """

    files: int
    bytes: int
    free_bytes: int
    is_full: bool
    oldest_wait_s: float | None
    is_late: bool


def resources_of(contest: Contest, now: datetime) -> Resources:
    """Count and look. Listening copies are not among the bytes: their size is not kept."""
    kept = contest.entries.aggregate(files=Count("pk"), bytes=Sum("recording__size_bytes", default=0))
    free_bytes, wait = health.free_bytes(), health.oldest_wait(now)
    return Resources(
        files=kept["files"],
        bytes=kept["bytes"],
        free_bytes=free_bytes,
        is_full=free_bytes < health.LEAST_FREE_BYTES,
        oldest_wait_s=wait.total_seconds() if wait is not None else None,
        is_late=health.is_late(now),
    )
