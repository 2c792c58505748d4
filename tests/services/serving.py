"""A site under test that is really served, with its worker."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.services.programs import free_port, wait_until
from tests.services.site import ROOT, Site, children_of, end_group, processes_with

LONGEST_STOP_S = 30.0


class Served:
    """`manage.py serve` in a process of its own."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.port = free_port()
        command = [sys.executable, "manage.py", "serve", "--workers", "1", "--port", str(self.port)]
        self.process = subprocess.Popen(
            command,
            cwd=ROOT,
            env=site.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )

    def processes(self) -> list[int]:
        """All that is alive on this site's data."""
        return processes_with("DATA_DIR", str(self.site.folder))

    def worker(self) -> int:
        """The process that leads the worker."""
        (pid,) = [
            pid
            for pid in children_of(self.process.pid)
            if b"celery" in Path(f"/proc/{pid}/cmdline").read_bytes()
        ]
        return pid

    @property
    def address(self) -> str:
        """Where it is, without the last slash."""
        return f"http://127.0.0.1:{self.port}"

    def wait_for_everything(self) -> None:
        """Until the address is printed and the worker has its child for jobs."""
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        if line != f"Serving at {self.address}/  (Ctrl-C stops)\n":
            raise AssertionError(f"it does not serve: {line}{self.end()[1]}")
        wait_until(lambda: children_of(self.worker()), seconds=60, what="the worker has a child")

    def end(self) -> tuple[int, str]:
        """Its exit code and what it said on standard error, once it has ended."""
        _, words = self.process.communicate(timeout=LONGEST_STOP_S)
        return self.process.returncode, words

    def clean_up(self) -> None:
        """Whatever a failed test left."""
        end_group(self.process)
        for pid in self.processes():
            os.kill(pid, signal.SIGKILL)
        for pipe in (self.process.stdout, self.process.stderr):
            assert pipe is not None
            pipe.close()


@contextmanager
def serving(site: Site) -> Iterator[Served]:
    """The site served with its worker, from when both are there until nothing of it runs any more."""
    served = Served(site)
    try:
        served.wait_for_everything()
        yield served
    finally:
        served.clean_up()
