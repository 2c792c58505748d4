"""The clock goes on whatever became of the file that it keeps."""

from __future__ import annotations

from pathlib import Path

import pytest
from django.conf import settings

from academy.config.celery import app
from academy.config.clock import Clock


def begun(folder: Path) -> Clock:
    """The clock as a worker with --beat begins it."""
    return Clock(app, schedule_filename=str(folder / "beat"))


class TestClock:
    def test_it_is_the_one_that_workers_take(self):
        assert app.conf.beat_scheduler == f"{Clock.__module__}:{Clock.__name__}"

    def test_it_remembers_when_each_task_last_ran(self, tmp_path):
        clock = begun(tmp_path)
        clock.schedule["sweep"].total_run_count = 7
        clock.close()
        again = begun(tmp_path)
        assert again.schedule["sweep"].total_run_count == 7
        again.close()

    @pytest.mark.parametrize("left", [b"", b"\x80", b"no schedule at all"])
    def test_a_file_that_cannot_be_read_is_begun_anew(self, tmp_path, left):
        begun(tmp_path).close()
        # Which files there are, and which holds the entries, is for the interpreter's dbm to say: all but a
        # list of where entries lie.
        for path in tmp_path.glob("beat*"):
            if path.suffix not in {".dir", ".bak"}:
                path.write_bytes(left)
        clock = begun(tmp_path)
        assert set(clock.schedule) >= set(settings.CELERY_BEAT_SCHEDULE)
        clock.close()
        assert set(begun(tmp_path).schedule) >= set(settings.CELERY_BEAT_SCHEDULE)
