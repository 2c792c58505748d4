"""A site that is served: it answers, and whatever ends it, no process stays behind."""

from __future__ import annotations

import os
import signal
import sys
import urllib.request
from collections.abc import Callable, Iterator

import pytest

from academy.config.serving import WORKER_NICENESS
from tests.services.programs import answers, wait_until
from tests.services.serving import Served
from tests.services.site import children_of


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
        page = urllib.request.urlopen(f"{served.address}/").read().decode()
        style = page.split('rel="stylesheet" href="')[1].split('"')[0]
        with urllib.request.urlopen(served.address + style) as answer:
            assert "immutable" in answer.headers["Cache-Control"]

    def test_jobs_wait_behind_pages(self, serve):
        served = serve()
        served.wait_for_everything()
        ours = os.getpriority(os.PRIO_PROCESS, 0)
        assert os.getpriority(os.PRIO_PROCESS, served.worker()) == min(19, ours + WORKER_NICENESS)
        (child, *_) = children_of(served.worker())
        assert os.getpriority(os.PRIO_PROCESS, child) == min(19, ours + WORKER_NICENESS)

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

    @pytest.mark.skipif(sys.platform != "linux", reason="only this kernel tells children of a parent's end")
    def test_even_killed_outright_it_leaves_nothing_behind(self, serve):
        served = serve()
        served.wait_for_everything()
        assert len(served.processes()) >= 5  # this, the site and its process, the worker and its child
        served.process.kill()
        served.process.communicate(timeout=30)
        wait_until(lambda: not served.processes(), seconds=40, what="the parts have ended by themselves")
        assert not answers(served.port)

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
