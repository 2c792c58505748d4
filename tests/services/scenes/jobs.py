"""Jobs are asked for, rung for, claimed and swept."""

from __future__ import annotations

import multiprocessing
import time
from datetime import timedelta
from typing import Any

from celery import current_app
from django.conf import settings
from django.db import connections
from django.utils import timezone

from academy.letters.models import Letter
from academy.letters.writing import SEND_LETTER
from analysis.jobs import claiming, doorbell, requesting, sweeping
from analysis.jobs.models import Job
from tests.services.scenes.racing import at_once


def ring(job: int, times: int = 1) -> dict[str, Any]:
    """Ring for a job, and how long that took in all."""
    started = time.monotonic()
    heard = [doorbell.ring(job) for _ in range(times)]
    return {"heard": all(heard), "took_s": time.monotonic() - started}


def sweep(later_s: float) -> dict[str, int]:
    """Sweep as if so many seconds had gone by."""
    swept = sweeping.sweep(timezone.now() + timedelta(seconds=later_s))
    return {"recovered": swept.recovered, "given_up": swept.given_up, "rung_again": swept.rung_again}


def race_for_jobs(processes: int, jobs: int) -> list[list[int]]:
    """Many processes try to claim the same jobs at the same moment; each one's list of jobs that it got."""
    now = timezone.now()
    wanted = [
        Job.objects.create(kind="trial", subject=str(n), run_after=now, requested_at=now).pk
        for n in range(jobs)
    ]
    connections.close_all()  # a connection must not be shared with a child
    forks = multiprocessing.get_context("fork")
    together, results = forks.Barrier(processes), forks.Queue()

    def claim_all() -> None:
        together.wait()
        results.put([pk for pk in wanted if claiming.claim(pk, now=timezone.now()) is not None])
        connections.close_all()

    racers = [forks.Process(target=claim_all) for _ in range(processes)]
    for racer in racers:
        racer.start()
    won = [results.get(timeout=60) for _ in racers]
    for racer in racers:
        racer.join()
    return won


def request_in_race(threads: int) -> int:
    """Many connections ask for the same work at once; how many rows there are then."""
    at_once([lambda: requesting.request("trial", "one")] * threads)
    return Job.objects.filter(kind="trial", subject="one").count()


def write_to_many(letters: int) -> None:
    """So many letters that can be switched off wait to be sent, and a bell was rung for each."""
    now = timezone.now()
    rows = Letter.objects.bulk_create(
        Letter(
            kind="host-writes",
            key=f"{number}",
            address=f"member{number}@example.org",
            subject="News",
            text="News.",
            html="<p>News.</p>",
            written_at=now,
            next_try_at=now,
        )
        for number in range(letters)
    )
    jobs = Job.objects.bulk_create(
        Job(kind=SEND_LETTER, subject=str(row.pk), run_after=now, requested_at=now) for row in rows
    )
    with current_app.connection_for_write() as line:  # one for all: thousands would take a minute
        for job in jobs:
            current_app.send_task(doorbell.RUN_JOB, [job.pk], connection=line, ignore_result=True)


def orphan_and_clock() -> int:
    """A job whose worker died an hour ago, and the clock's bell for the sweep; the job."""
    now = timezone.now()
    job = Job.objects.create(
        kind="trial",
        subject="orphan",
        state="running",
        attempt=1,
        lease_until=now - timedelta(hours=1),
        run_after=now - timedelta(hours=2),
        requested_at=now - timedelta(hours=2),
    )
    bell = settings.CELERY_BEAT_SCHEDULE["sweep"]
    current_app.send_task(bell["task"], ignore_result=True, expires=25, **bell["options"])
    return job.pk


def letters_and(job: int) -> dict[str, Any]:
    """A job's state, how many letters were sent before it ended, and how many still wait."""
    row = Job.objects.get(pk=job)
    letters = Job.objects.filter(kind=SEND_LETTER)
    sent = letters.filter(state="done", finished_at__lt=row.finished_at or timezone.now())
    return {"state": row.state, "sent_before": sent.count(), "wait": letters.filter(state="queued").count()}
