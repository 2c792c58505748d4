"""Do the waiting jobs here and now, side by side, as workers would."""

from __future__ import annotations

import os
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

from django.db import connections
from django.db.models import QuerySet
from django.utils import timezone

from analysis.jobs.models import Job, JobState
from contests.demo import workers


class JobFailed(Exception):
    """A job of the demo did not succeed; its trouble says why."""


def do_all() -> None:
    """Do every job until none waits. Raises JobFailed for one that does not succeed at once."""
    connections.close_all()
    spawn = get_context("spawn")  # a forked child would inherit lines to the database
    with ProcessPoolExecutor(os.cpu_count() or 1, mp_context=spawn, initializer=workers.set_up) as pool:
        while waiting := list(_due().values_list("pk", flat=True)):
            for pk, is_done in zip(waiting, pool.map(workers.do, waiting), strict=True):
                if not is_done:
                    raise JobFailed(str(Job.objects.get(pk=pk).trouble))


def _due() -> QuerySet[Job]:
    """What waits and whose time has come."""
    return Job.objects.filter(state=JobState.QUEUED, run_after__lte=timezone.now())
