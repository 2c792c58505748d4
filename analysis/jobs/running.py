"""Do one job: claim it, call the worker of its kind, keep the lease alive, put it back when that fails."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

from django.db import DatabaseError, connection
from django.utils import timezone

from analysis.jobs import doorbell, kinds, waiting
from analysis.jobs.claiming import LEASE, Claim, LeaseLost, claim, put_back
from analysis.jobs.models import Job

HEARTBEAT_S = 20.0
TRIED = 5
"""How many jobs are tried at a bell: other workers may be quicker, but hardly as many times in a row."""
QUICK_S = 60.0
"""How long a job ahead may take before the other one gets a bell of its own. A bell's time limits run over
both: a job that begins late in them would be stopped for what the one ahead took.
"""

logger = logging.getLogger(__name__)


def answer(job_id: int) -> bool:
    """Hear the bell of a job: do it, and before it one that is more urgent, if such a one waits.

    So what is urgent need not wait for the bells that were rung before its own, whatever carries them. And
    nothing starves: each bell ends in its own job, after one other at most; or, where that took long, in a
    second bell by which it is its turn. False as `run` has it.
    """
    job = Job.objects.filter(pk=job_id).first()
    if job is None or not waiting.is_due(job, timezone.now()):
        return False
    began_s = time.monotonic()
    for ahead in waiting.more_urgent(job, timezone.now())[:TRIED]:
        if (claimed := claim(ahead.pk, now=timezone.now())) is not None:
            _do(claimed)
            break
    if time.monotonic() - began_s > QUICK_S:
        doorbell.ring(job_id, is_its_turn=True)
        return False
    return run(job_id)


def run(job_id: int) -> bool:
    """Do one job if it waits and its time has come. False when there was nothing to do, or it failed."""
    job = claim(job_id, now=timezone.now())
    return job is not None and _do(job)


def _do(job: Job) -> bool:
    held = Claim(job)
    try:
        with _heartbeat(job):
            kinds.worker_for(job.kind)(held)
            if not held.is_finished:
                with held.finishing():
                    pass
    except LeaseLost:
        logger.warning("%s: the lease ran out, another worker has it", job)
        return False
    except Exception as exc:  # ours or the storage's: the row keeps it and the next attempt decides
        logger.exception("%s: attempt %s failed", job, job.attempt)
        put_back(job, trouble=f"{type(exc).__name__}: {exc}")
        return False
    return True


def _renew_lease(job: Job) -> None:
    Job.objects.filter(pk=job.pk, lease_token=job.lease_token).update(lease_until=timezone.now() + LEASE)


@contextmanager
def _heartbeat(job: Job) -> Iterator[None]:
    """Renew the lease while the work goes on, from a thread of its own.

    A lease outlives several beats, so that one which the database does not take is no reason to stop.
    """
    stop = threading.Event()

    def renew() -> None:
        while not stop.wait(HEARTBEAT_S):
            try:
                _renew_lease(job)
            except DatabaseError:
                logger.warning("%s: the lease could not be renewed this time", job, exc_info=True)
        connection.close()

    thread = threading.Thread(target=renew, name=f"lease of job {job.pk}", daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()
