"""The day on which these tests play, and jobs done at once."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.utils import timezone

from analysis.jobs import running
from analysis.jobs.models import Job, JobState
from tests import cast


@pytest.fixture(autouse=True)
def clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every clock of the site stands at cast.NOW."""
    monkeypatch.setattr(timezone, "now", lambda: cast.NOW)


@pytest.fixture
def work() -> Callable[..., list[Job]]:
    """Do the waiting jobs of the kinds named, as a worker would; returns the rows afterwards."""

    def do(*kinds: str) -> list[Job]:
        waiting = list(Job.objects.filter(kind__in=kinds, state=JobState.QUEUED).order_by("pk"))
        for job in waiting:
            running.run(job.pk)
            job.refresh_from_db()
        return waiting

    return do
