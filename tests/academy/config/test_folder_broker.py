"""The folder of messages: whoever looks while something is written finds it whole or not at all."""

from __future__ import annotations

import os
import threading
from queue import Empty

import pytest
from kombu import Connection
from kombu.transport import filesystem

from academy.config import environment, folder_broker

SENT = {"body": "a bell", "properties": {}}


@pytest.fixture
def channel_of(tmp_path):
    """Opens a channel, as each process has one of its own."""
    folder_broker.make_known()
    url, options = environment.broker("", tmp_path)

    def opened():
        return Connection(url, transport_options=options).channel()

    return opened


@pytest.fixture
def looking(monkeypatch):
    """Has a function called at every moment at which kombu or we hold a file that is not finished."""

    def at_each_step(look):
        for place, name in ((filesystem, "lock"), (os, "replace"), (os, "link")):
            kept = getattr(place, name)

            def stepping(*args, kept=kept):
                look()
                return kept(*args)

            monkeypatch.setattr(place, name, stepping)

    return at_each_step


class TestPut:
    def test_each_message_comes_out_as_it_went_in_of_its_own_queue(self, channel_of):
        writer, reader = channel_of(), channel_of()
        for number in range(3):
            writer._put("jobs", SENT | {"number": number})
        writer._put("letters", SENT)
        assert sorted(reader._get("jobs")["number"] for _ in range(3)) == [0, 1, 2]
        with pytest.raises(Empty):
            reader._get("jobs")
        assert reader._get("letters") == SENT

    def test_a_worker_that_looks_while_it_is_written_finds_nothing_yet(self, channel_of, looking):
        writer, reader = channel_of(), channel_of()
        looks = []

        def look():
            with pytest.raises(Empty):
                reader._get("jobs")
            looks.append(reader._size("jobs"))

        looking(look)
        writer._put("jobs", SENT)
        assert looks == [0]
        assert reader._get("jobs") == SENT

    def test_nothing_unfinished_is_left(self, channel_of, tmp_path):
        channel_of()._put("jobs", SENT)
        assert not list(tmp_path.rglob(f"*{folder_broker.UNFINISHED}"))


class TestQueueBind:
    def test_whoever_rings_while_the_first_queue_is_noted_can_read_the_table(self, channel_of, looking):
        writer, reader = channel_of(), channel_of()
        looks = []
        within = threading.local()

        def look():
            if not getattr(within, "looks", False):  # reading takes a lock as well
                within.looks = True
                looks.append(reader.get_table("bells"))
                within.looks = False

        looking(look)
        writer._queue_bind("bells", "jobs", "", "jobs")
        assert looks
        assert not any(looks)
        monitored = reader.get_table("bells")
        assert [one.queue for one in monitored] == ["jobs"]

    def test_further_queues_are_added(self, channel_of):
        writer = channel_of()
        for queue in ("jobs", "clock", "jobs"):
            writer._queue_bind("bells", queue, "", queue)
        assert {one.queue for one in channel_of().get_table("bells")} == {"jobs", "clock"}
