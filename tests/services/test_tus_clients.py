"""Two clients that others wrote send files to the real server: tus-js-client 4.3.1 and tuspy 1.1.0."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tusclient.client import TusClient

from tests.services import programs
from tests.services.site import Site
from tests.services.tus_server import TusServer

MIB = 1024**2


@pytest.fixture(scope="module")
def running(migrated_sqlite: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[TusServer]:
    """One server for all, on SQLite and the local disk; it takes at most 64 MiB."""
    folder = tmp_path_factory.mktemp("site")
    shutil.copy(migrated_sqlite, folder / "site.sqlite3")
    running = TusServer(Site(folder, LARGEST_UPLOAD_BYTES=str(64 * MIB)))
    running.start()
    yield running
    running.kill()


@pytest.fixture
def server(running: TusServer) -> Iterator[TusServer]:
    """The same, whose member has nothing under way."""
    yield running
    running.throw_all_away()


@pytest.fixture
def noise(write_noise: Any) -> Path:
    """About 23 MB of audio that looks like nothing else."""
    return Path(write_noise(seconds=120.0))


def sha256_of(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def last_line(client: Any, *, seconds: float = 120) -> dict[str, Any]:
    """Wait for the node client's end."""
    out, _ = client.communicate(timeout=seconds)
    answer: dict[str, Any] = json.loads(out.splitlines()[-1])
    return answer


@pytest.mark.needs("node")
class TestTusJs:
    def test_a_file_arrives_whole_over_a_line_that_is_torn(self, server, noise):
        size = noise.stat().st_size
        cuts = sorted(np.random.default_rng(5).integers(0, size, 6).tolist())
        answer = last_line(server.node(noise, chunkBytes=4 * MIB, cuts=cuts))
        assert "error" not in answer, answer
        assert answer["torn"] == 6
        # The line's own buffers are lost with it; more than one chunk a cut never is.
        assert answer["writtenBytes"] <= size + 6 * 4 * MIB
        assert server.take(answer["url"].rpartition("/")[2])["sha256"] == sha256_of(noise)

    def test_a_file_arrives_whole_though_the_server_is_killed(self, server, noise):
        client = server.node(noise, chunkBytes=MIB, retryMs=300)
        first = json.loads(client.stdout.readline())
        upload_id = first["url"].rpartition("/")[2]
        seen = []
        for _ in range(3):
            before = seen[-1] if seen else 0
            programs.wait_until(
                lambda before=before: server.offset(upload_id) > before, seconds=60, what="more has arrived"
            )
            seen.append(server.offset(upload_id))
            server.kill()
            server.start()
            assert server.offset(upload_id) >= seen[-1]
        answer = last_line(client)
        assert "error" not in answer, answer
        assert server.take(upload_id)["sha256"] == sha256_of(noise)

    def test_one_chunk_for_all_is_no_matter(self, server, noise):
        answer = last_line(server.node(noise, chunkBytes=1024 * MIB, cuts=[10 * MIB]))
        assert "error" not in answer, answer
        assert server.take(answer["url"].rpartition("/")[2])["sha256"] == sha256_of(noise)

    def test_a_refusal_reaches_the_client_in_words(self, server, tmp_path):
        large = tmp_path / "large.wav"
        with large.open("wb") as file:
            file.truncate(64 * MIB + 1)
        assert "larger than 64 MiB" in last_line(server.node(large))["answer"]


class TestTuspy:
    def test_a_file_arrives_whole(self, server, noise):
        client = TusClient(server.endpoint, headers=server.headers)
        with noise.open("rb") as file:
            uploader = client.uploader(file_stream=file, chunk_size=3 * MIB, metadata={"filename": "mix.wav"})
            uploader.upload()
        assert server.take(uploader.url.rpartition("/")[2])["sha256"] == sha256_of(noise)

    def test_it_goes_on_where_it_stopped_under_checksums(self, server, noise):
        client = TusClient(server.endpoint, headers=server.headers)
        with noise.open("rb") as file:
            first = client.uploader(file_stream=file, chunk_size=3 * MIB, upload_checksum=True)
            first.upload(stop_at=7 * MIB)
            upload_id = first.url.rpartition("/")[2]
            second = client.uploader(
                file_stream=file, chunk_size=5 * MIB, url=first.url, upload_checksum=True
            )
            assert second.offset == server.offset(upload_id) > 0
            second.upload()
        assert server.take(upload_id)["sha256"] == sha256_of(noise)


class TestLine:
    def test_partial_bytes_are_kept_when_the_line_breaks(self, server):
        upload_id = server.open(4 * MIB)
        server.send_and_break(upload_id, os.urandom(MIB), at=0, announced=4 * MIB)
        programs.wait_until(lambda: server.offset(upload_id), seconds=20, what="the bytes are counted")
        assert server.offset(upload_id) == MIB

    def test_exactly_one_of_many_writers_wins_each_offset(self, server):
        chunk, rounds, writers = MIB, 4, 8
        body = os.urandom(chunk * rounds)
        upload_id = server.open(len(body) + 1)
        for turn in range(rounds):
            part = body[turn * chunk : (turn + 1) * chunk]
            with ThreadPoolExecutor(writers) as pool:
                answers = pool.map(
                    lambda _, at=turn * chunk, part=part: (
                        server.ask("PATCH", upload_id, part, Upload_Offset=str(at)).status_code
                    ),
                    range(writers),
                )
            counted = Counter(answers)
            assert counted[204] == 1, counted
            assert set(counted) <= {204, 409, 423}
        assert server.staged(upload_id).read_bytes() == body

    def test_a_chunk_without_a_length_is_refused(self, server):
        upload_id = server.open(10)
        answer = server.ask("PATCH", upload_id, iter([b"12345"]), Upload_Offset="0")
        assert answer.status_code == 411
        assert server.offset(upload_id) == 0

    def test_a_silent_line_is_taken_as_broken(self, server):
        """A laptop went to sleep: nothing tells the server, yet its lock must not stay for ever."""
        upload_id = server.open(2 * MIB)
        with server.send_and_stay(upload_id, os.urandom(MIB), at=0, announced=2 * MIB):
            # Seen by its bytes: a request that asks might have the upload itself, and refuse the silent one.
            programs.wait_until(
                lambda: server.staged(upload_id).stat().st_size > 0,
                seconds=30,
                what="the silent request has the upload",
            )
            assert server.ask("PATCH", upload_id, Upload_Offset="0").status_code == 423
            programs.wait_until(
                lambda: server.offset(upload_id) == MIB, seconds=45, what="what came is counted"
            )
            assert server.ask("PATCH", upload_id, os.urandom(MIB), Upload_Offset=str(MIB)).status_code == 204
