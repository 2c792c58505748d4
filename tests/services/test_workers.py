"""A real worker does the jobs, and the death of one loses nothing and shows nothing twice."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from typing import Any

import pytest

from tests.services.programs import wait_until
from tests.services.site import Site, children_of, end_group

SHORT_S = 2.0
LONG_S = 300.0  # of audio: measuring it takes seconds, so that a signal hits it in the middle
REDIS = pytest.param("redis", marks=pytest.mark.needs("redis-server"))


@pytest.fixture
def site(request: pytest.FixtureRequest, make_site) -> Site:
    """A site whose broker is the test's parameter: the folder that needs no server, or Redis."""
    if request.param == "folder":
        return make_site()
    return make_site(REDIS_URL=request.getfixturevalue("redis").url)


@pytest.fixture
def enter(site: Site, write_noise) -> Callable[[float], dict[str, Any]]:
    """Somebody new enters a file of so many seconds."""

    def enter(seconds: float) -> dict[str, Any]:
        people = site.play("open_contest")
        answer: dict[str, Any] = site.play(
            "enter",
            contest=people["contest"],
            entrant=people["entrant"],
            file=write_noise(seconds=seconds, seed=people["contest"]),
        )
        assert answer["status"] == 201, answer
        return answer

    return enter


def wait_for(site: Site, number: int, /, **wanted: object) -> dict[str, Any]:
    """Until the entry's standing is as wanted."""

    def holds() -> bool:
        standing = site.play("standing_of", entry=number)
        return all(standing[name] == value for name, value in wanted.items())

    wait_until(holds, seconds=90, what=f"the entry is {wanted}")
    standing: dict[str, Any] = site.play("standing_of", entry=number)
    return standing


@pytest.mark.parametrize("site", ["folder", REDIS], indirect=True)
class TestWorker:
    def test_it_finds_what_was_asked_for_before_it_started(self, site, enter):
        entered = enter(SHORT_S)
        with site.worker():
            standing = wait_for(site, entered["entry"], entry="ready")
        assert standing["moves"] == ["checking", "ready"]
        assert (standing["job"], standing["attempt"], standing["measurements"]) == ("done", 1, 1)

    def test_many_bells_are_one_result(self, site, enter):
        entered = enter(SHORT_S)
        assert site.play("ring", job=entered["job"], times=8)["heard"]
        with site.worker():
            wait_for(site, entered["entry"], entry="ready")
            # A later entry is behind all those bells: once it is done, they have all been answered.
            wait_for(site, enter(SHORT_S)["entry"], entry="ready")
            standing = site.play("standing_of", entry=entered["entry"])
        assert standing["moves"] == ["checking", "ready"]
        assert (standing["job"], standing["attempt"], standing["measurements"]) == ("done", 1, 1)

    def test_told_to_stop_it_ends_the_job_at_hand_first(self, site, enter):
        entered = enter(LONG_S)
        with site.worker() as worker:
            wait_for(site, entered["entry"], job="running")
            worker.send_signal(signal.SIGTERM)
            assert worker.wait(timeout=60) == 0
            standing = site.play("standing_of", entry=entered["entry"])
        assert (standing["entry"], standing["job"], standing["attempt"]) == ("ready", "done", 1)


@pytest.mark.parametrize("site", ["folder", REDIS], indirect=True)
class TestThousandsOfLetters:
    def test_a_check_asked_for_after_them_starts_next(self, site, enter):
        site.play("write_to_many", letters=5000)
        entered = enter(SHORT_S)
        with site.worker():
            wait_for(site, entered["entry"], entry="ready")
            found = site.play("letters_and", job=entered["job"])
        assert found["sent_before"] == 0
        assert found["wait"] > 4000  # so they did wait behind it

    def test_the_clock_is_heard_among_them(self, site):
        site.play("write_to_many", letters=5000)
        orphan = site.play("orphan_and_clock")
        with site.worker():
            wait_until(
                lambda: site.play("letters_and", job=orphan)["state"] != "running",
                seconds=90,
                what="the sweep found the orphan",
            )
            assert site.play("letters_and", job=orphan)["wait"] > 4000


class TestSigkillInTheMiddle:
    def recover(self, site: Site, entry: int) -> None:
        """The lease runs out, by a later clock; the sweep puts the job back, and rings when it is due."""
        left = site.play("standing_of", entry=entry)
        # Otherwise the signal came too late, and the test would show nothing.
        assert (left["job"], left["entry"], left["measurements"]) == ("running", "checking", 0)
        assert site.play("sweep", later_s=60)["recovered"] == 0  # its lease still runs
        assert site.play("sweep", later_s=95)["recovered"] == 1
        wait_until(
            lambda: site.play("standing_of", entry=entry)["due_in_s"] <= 0, seconds=15, what="the job is due"
        )
        # The letter with the receipt is a job of its own, and waits too where no worker is left to send it.
        assert site.play("sweep", later_s=25)["rung_again"] in {1, 2}

    def check(self, standing: dict[str, Any]) -> None:
        """Done at the second attempt, and visible once."""
        assert standing["moves"] == ["checking", "ready"]
        assert (standing["job"], standing["attempt"], standing["measurements"]) == ("done", 2, 1)

    @pytest.mark.parametrize("site", ["folder", REDIS], indirect=True)
    def test_the_whole_worker_dies(self, site, enter):
        entered = enter(LONG_S)
        with site.worker() as worker:
            wait_for(site, entered["entry"], job="running")
            end_group(worker)
        self.recover(site, entered["entry"])
        with site.worker():
            self.check(wait_for(site, entered["entry"], entry="ready"))

    @pytest.mark.parametrize("site", ["folder"], indirect=True)
    def test_only_the_child_at_work_dies(self, site, enter):
        entered = enter(LONG_S)
        with site.worker() as worker:
            wait_for(site, entered["entry"], job="running")
            for child in children_of(worker.pid):
                os.kill(child, signal.SIGKILL)
            self.recover(site, entered["entry"])
            self.check(wait_for(site, entered["entry"], entry="ready"))
            assert worker.poll() is None
