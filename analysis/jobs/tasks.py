"""Doorbells. Acknowledged on receipt: the row is the truth, and the sweep rings again for what is left."""

from __future__ import annotations

from celery import shared_task

from analysis.jobs import running, sweeping


@shared_task(ignore_result=True)
def run_job(job_id: int, is_its_turn: bool = False) -> None:
    """Somebody asked for this job. One that is more urgent goes before it, unless it is its turn."""
    (running.run if is_its_turn else running.answer)(job_id)


@shared_task(ignore_result=True, expires=25)  # one sweep at a time is enough; a late one is not wanted
def sweep() -> None:
    """Time to look for what was left behind."""
    sweeping.sweep_by_the_clock()
