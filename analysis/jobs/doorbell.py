"""Ring for a worker. A lost ring costs only time: the sweep rings again."""

from __future__ import annotations

import logging
import time

from celery import current_app
from kombu.exceptions import OperationalError

RUN_JOB = "analysis.jobs.tasks.run_job"  # by name, so that tasks may import what rings
PUBLISH_TIMEOUT_S = 3  # a frozen broker must not hold up the page that rings

QUIET_AFTER_TROUBLE_S = 5

logger = logging.getLogger(__name__)
_quiet_until = 0.0  # of this process; the sweep rings for what was not rung meanwhile


def ring(job_id: int, *, is_its_turn: bool = False) -> bool:
    """Tell some worker that a job waits, or, where it is its turn, that no other one goes before it now.

    False, and a line in the log, when the broker cannot be reached.

    For a little while after that nobody tries again: a page that rings several times waits for it once.
    """
    global _quiet_until
    if time.monotonic() < _quiet_until:
        return False
    try:
        # The time limit is the publisher's alone: a consumer blocks on its socket for good reason.
        with current_app.connection_for_write(
            transport_options={"socket_timeout": PUBLISH_TIMEOUT_S}
        ) as line:
            told = [job_id, True] if is_its_turn else [job_id]
            current_app.send_task(RUN_JOB, told, connection=line, ignore_result=True)
    except (OperationalError, OSError) as exc:
        _quiet_until = time.monotonic() + QUIET_AFTER_TROUBLE_S
        logger.warning("no bell for job %s, the sweep will find it: %s", job_id, exc)
        return False
    return True


def try_again() -> None:
    """Forget the last trouble: the next ring is tried, whatever became of the one before."""
    global _quiet_until
    _quiet_until = 0.0
