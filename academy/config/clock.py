"""The beat's schedule: what the clock rings for, and when it last did."""

from __future__ import annotations

import logging

from celery.beat import PersistentScheduler

logger = logging.getLogger(__name__)


class Clock(PersistentScheduler):
    """The library's schedule in a file, which begins anew where that file cannot be read.

    By itself the library does so after some faults only. At others, such as a file that a power cut or a full
    disk left empty, the beat's process ends, the worker goes on without it, and nothing is done by the hour.
    What is lost is when each task last ran: it runs again within its own interval.
    """

    def setup_schedule(self) -> None:
        """Read the file, or make a new one."""
        try:
            super().setup_schedule()
        except Exception:
            logger.exception("the schedule %s cannot be read and is begun anew", self.schedule_filename)
            if self._store is not None:
                self._store.close()  # first, for closing may write
            self._remove_db()
            super().setup_schedule()
