"""Do the waiting jobs here and now, side by side, as workers would."""

from __future__ import annotations

import os
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from types import TracebackType

from django.db.models import QuerySet
from django.utils import timezone

from analysis.jobs.models import Job, JobState
from contests.demo import workers


class JobFailed(Exception):
    """A job of the demo did not succeed; its trouble says why."""


class Crew:
    """Worker processes, kept for as long as jobs may come: each takes seconds of a processor to get ready."""

    def __init__(self) -> None:
        spawn = get_context("spawn")  # a forked child would inherit lines to the database
        self._pool = ProcessPoolExecutor(os.cpu_count() or 1, mp_context=spawn, initializer=workers.set_up)

    def __enter__(self) -> Crew:
        """The crew itself; it starts with the first jobs."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Send everybody home. After a failure, what nobody has begun is left."""
        self._pool.shutdown(cancel_futures=error is not None)

    def do_all(self) -> None:
        """Do every job until none waits. Raises JobFailed for one that does not succeed at once."""
        while waiting := list(_due().values_list("pk", flat=True)):
            for pk, is_done in zip(waiting, self._pool.map(workers.do, waiting), strict=True):
                if not is_done:
                    raise JobFailed(str(Job.objects.get(pk=pk).trouble))


def _due() -> QuerySet[Job]:
    """What waits and whose time has come."""
    return Job.objects.filter(state=JobState.QUEUED, run_after__lte=timezone.now())
