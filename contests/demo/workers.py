"""What runs in the demo's worker processes. No model at the top: this is read before Django is up."""

from __future__ import annotations

import os

import django


def set_up() -> None:
    """Ready a fresh process for jobs."""
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    django.setup()


def do(job_id: int) -> bool:
    """Do one job. False when it did not succeed."""
    from analysis.jobs import running

    return running.run(job_id)
