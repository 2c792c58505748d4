"""A site that is served: it answers, and whatever ends it, no process stays behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.services.programs import answers, free_port, wait_until
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

    def wait_for_everything(self) -> None:
        """Until the address is printed and the worker has its child for jobs."""
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line == f"Serving at http://127.0.0.1:{self.port}/  (Ctrl-C stops)\n"
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


@pytest.fixture
def serve(make_site) -> Iterator[Callable[[], Served]]:
    """Serve a site of the test's own."""
    made: list[Served] = []

    def serve() -> Served:
        made.append(Served(make_site()))
        return made[-1]

    yield serve
    for served in made:
        served.clean_up()


class TestServing:
    def test_it_answers_with_hashed_scripts_and_styles(self, serve):
        served = serve()
        served.wait_for_everything()
        page = urllib.request.urlopen(f"http://127.0.0.1:{served.port}/").read().decode()
        style = page.split('rel="stylesheet" href="')[1].split('"')[0]
        with urllib.request.urlopen(f"http://127.0.0.1:{served.port}{style}") as answer:
            assert "immutable" in answer.headers["Cache-Control"]

    @pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
    def test_a_signal_ends_it_well_and_leaves_nothing_behind(self, serve, number):
        served = serve()
        served.wait_for_everything()
        assert len(served.processes()) >= 5  # this, the site and its process, the worker and its child
        served.process.send_signal(number)
        code, words = served.end()
        assert code == 0, words
        assert "Traceback" not in words
        assert served.processes() == []
        assert not answers(served.port)

    def test_ctrl_c_reaches_the_whole_terminal_and_ends_it_once(self, serve):
        served = serve()
        served.wait_for_everything()
        os.killpg(served.process.pid, signal.SIGINT)
        code, words = served.end()
        assert (code, "Traceback" in words) == (0, False)
        assert served.processes() == []

    def test_a_signal_in_the_middle_of_the_start_leaves_nothing_behind(self, serve):
        served = serve()
        wait_until(lambda: children_of(served.process.pid), seconds=60, what="a part is started")
        served.process.send_signal(signal.SIGTERM)
        code, words = served.end()
        assert code == 0, words
        assert served.processes() == []

    def test_a_part_that_dies_ends_the_rest_and_is_told(self, serve):
        served = serve()
        served.wait_for_everything()
        os.kill(served.worker(), signal.SIGKILL)
        code, words = served.end()
        assert code == 1
        assert "A part of the site stopped by itself" in words
        assert served.processes() == []

    def test_a_taken_port_is_told_in_words(self, serve, make_site):
        served = serve()
        served.wait_for_everything()
        refused = make_site().manage("serve", "--port", str(served.port))
        assert refused.returncode == 1
        assert f"Port {served.port} of 127.0.0.1 cannot be had" in refused.stderr
        assert "Traceback" not in refused.stderr
