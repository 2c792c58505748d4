"""An entry is taken whether or not the broker lives; its check only comes later."""

from __future__ import annotations

import signal
from typing import Any

import pytest

from tests.services.programs import wait_until

pytestmark = pytest.mark.needs("redis-server")

MOST_ADDED_S = 3.0  # what a frozen broker may cost the page that rings; an own goal, no outside source
BUSY_MACHINE_S = 1.5  # on top: other tests share the processor


@pytest.fixture
def site(make_site, redis):
    """A site on Redis."""
    return make_site(REDIS_URL=redis.url)


@pytest.fixture
def enter(site, write_noise):
    """Somebody new enters a short file, in a contest of its own."""
    file = write_noise(seconds=2)

    def enter() -> dict[str, Any]:
        people = site.play("open_contest")
        answer: dict[str, Any] = site.play(
            "enter", contest=people["contest"], entrant=people["entrant"], file=file
        )
        return answer

    return enter


class TestBrokerDown:
    def test_an_entry_is_taken_and_checked_once_it_is_back(self, site, redis, enter):
        with site.worker():
            redis.send(signal.SIGKILL)
            answer = enter()
            assert answer["status"] == 201
            assert site.play("standing_of", entry=answer["entry"])["job"] == "queued"
            redis.start()
            wait_until(
                lambda: site.play("sweep", later_s=25)["rung_again"] == 0,
                seconds=60,
                what="the worker, back at its broker, took the job",
            )
            wait_until(
                lambda: site.play("standing_of", entry=answer["entry"])["entry"] == "ready",
                seconds=60,
                what="the entry is ready",
            )
        standing = site.play("standing_of", entry=answer["entry"])
        assert (standing["attempt"], standing["measurements"]) == (1, 1)

    def test_readiness_tells_it(self, site, redis):
        assert site.play("readiness")["broker"]
        redis.send(signal.SIGKILL)
        assert not site.play("readiness")["broker"]


class TestBrokerFrozen:
    def test_a_bell_gives_up_within_three_seconds(self, site, redis, enter):
        job = enter()["job"]
        redis.send(signal.SIGSTOP)
        rung = site.play("ring", job=job)
        assert not rung["heard"]
        assert rung["took_s"] < MOST_ADDED_S + BUSY_MACHINE_S

    def test_an_entry_is_taken_with_at_most_that_much_added(self, site, redis, enter):
        usual_s = enter()["took_s"]
        redis.send(signal.SIGSTOP)
        answer = enter()
        assert answer["status"] == 201
        assert site.play("standing_of", entry=answer["entry"])["job"] == "queued"
        assert answer["took_s"] < usual_s + MOST_ADDED_S + BUSY_MACHINE_S

    def test_readiness_tells_it(self, site, redis):
        redis.send(signal.SIGSTOP)
        assert not site.play("readiness")["broker"]
