"""Ring for a worker. A lost ring costs only time: the sweep rings again."""

from __future__ import annotations

import logging

from celery import current_app
from kombu.exceptions import OperationalError

RUN_JOB = "analysis.jobs.tasks.run_job"  # by name, so that tasks may import what rings
PUBLISH_TIMEOUT_S = 3  # a frozen broker must not hold up the page that rings

logger = logging.getLogger(__name__)


def ring(job_id: int) -> bool:
    """Tell some worker that a job waits. False, and a line in the log, when the broker cannot be reached."""
    try:
        # The time limit is the publisher's alone: a consumer blocks on its socket for good reason.
        with current_app.connection_for_write(
            transport_options={"socket_timeout": PUBLISH_TIMEOUT_S}
        ) as line:
            current_app.send_task(RUN_JOB, [job_id], connection=line, ignore_result=True)
    except (OperationalError, OSError) as exc:
        logger.warning("no bell for job %s, the sweep will find it: %s", job_id, exc)
        return False
    return True
