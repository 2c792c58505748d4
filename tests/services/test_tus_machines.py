"""Two machines at one upload: the rows in PostgreSQL, the bytes in a bucket, nothing on either's own disk."""

from __future__ import annotations

import hashlib
import itertools
import os
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from tests.services import programs
from tests.services.site import Site
from tests.services.tus_server import TusServer

pytestmark = pytest.mark.needs("postgres")

MIB = 1024**2


@pytest.fixture
def machines(on_postgres: Any, tmp_path: Path) -> Iterator[list[TusServer]]:
    """Two servers with folders of their own."""
    with programs.s3_endpoint() as endpoint:
        shared = {
            "STORAGE_URL": f"s3://recordings/shelf?endpoint={endpoint}&region=us-east-1",
            "AWS_ACCESS_KEY_ID": "tests",
            "AWS_SECRET_ACCESS_KEY": "only for the tests",
            "SECRET_KEY": "the same on both " * 4,
        }
        site = on_postgres(**shared)
        site.play("make_bucket", endpoint=endpoint, bucket="recordings")
        (tmp_path / "second").mkdir()
        other = Site(tmp_path / "second", DATABASE_URL=site.environment["DATABASE_URL"], **shared)
        one = TusServer(site)
        servers = [one, TusServer(other, session=one.session)]
        for server in servers:
            server.start()
        yield servers
        for server in servers:
            server.kill()


def test_each_goes_on_where_the_other_stopped(machines, write_noise):
    blob = Path(write_noise(seconds=120.0)).read_bytes()  # 23 MB
    upload_id = machines[0].open(len(blob))
    at = 0
    for turn, server in enumerate(itertools.cycle(machines)):
        body = blob[at : at + (turn + 1) * 2 * MIB]
        if not body:
            break
        assert server.offset(upload_id) == at
        assert server.ask("PATCH", upload_id, body, Upload_Offset=str(at)).status_code == 204
        at += len(body)
    assert machines[1].take(upload_id)["sha256"] == hashlib.sha256(blob).hexdigest()


def test_exactly_one_of_many_writers_wins_each_offset(machines):
    chunk, rounds = 6 * MIB, 3
    body = os.urandom(chunk * rounds)
    upload_id = machines[0].open(len(body))
    for at in range(0, len(body), chunk):
        part = body[at : at + chunk]

        def send(server: TusServer, at: int = at, part: bytes = part) -> int:
            return server.ask("PATCH", upload_id, part, Upload_Offset=str(at)).status_code

        with ThreadPoolExecutor(6) as pool:
            counted = Counter(pool.map(send, machines * 3))
        assert counted[204] == 1, counted
        assert set(counted) <= {204, 409, 423}
        assert machines[0].offset(upload_id) == at + chunk


def test_what_a_dead_machine_held_is_free_after_its_lease(machines):
    """Killed in the midst of a chunk: the other machine has the upload once the lease is over."""
    one, two = machines
    upload_id = one.open(20 * MIB)
    with one.send_and_stay(upload_id, os.urandom(9 * MIB), at=0, announced=20 * MIB):
        programs.wait_until(lambda: two.offset(upload_id) == 8 * MIB, seconds=30, what="a part is counted")
        one.kill()
    held = two.ask("PATCH", upload_id, os.urandom(MIB), Upload_Offset=str(8 * MIB))
    assert held.status_code == 423
    programs.wait_until(
        lambda: two.ask("PATCH", upload_id, os.urandom(MIB), Upload_Offset=str(8 * MIB)).status_code == 204,
        seconds=75,
        what="the lease is over",
    )
