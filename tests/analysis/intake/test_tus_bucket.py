"""Uploads in parts that lie in an S3-compatible bucket: parts, tails, leases.

The limit of 5 MiB a part is the Amazon S3 User Guide's, "Amazon S3 multipart upload limits"; the endpoint of
the tests holds to it, so a completion with a smaller part in the midst would fail.
"""

from __future__ import annotations

import hashlib
import itertools
import time
import uuid
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from django.conf import settings as site_settings

from academy.config import environment
from analysis.audiofile import AudioError
from analysis.intake import keeping, sealing
from analysis.intake.models import Upload
from analysis.intake.resumable import ending, taking
from analysis.intake.resumable.bucket import LEASE, PART_BYTES, BucketHold
from tests import cast
from tests.analysis.intake.conftest import row
from tests.services import programs

pytestmark = pytest.mark.django_db

MIB = 1024**2
_numbers = itertools.count(1)


@pytest.fixture(scope="module")
def endpoint() -> Iterator[str]:
    """An S3 endpoint in a process of its own."""
    with programs.s3_endpoint() as address:
        yield address


@pytest.fixture
def bucket(endpoint: str, settings: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Any:
    """An empty bucket, and this process's recordings in it."""
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "tests")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "only for the tests")
    name = f"bucket-{next(_numbers)}"
    where = environment.storage(f"s3://{name}/shelf?endpoint={endpoint}&region=us-east-1", tmp_path)
    settings.STORAGES = site_settings.STORAGES | {"recordings": where}
    bucket = keeping.shelf().connection.create_bucket(Bucket=name)  # type: ignore[attr-defined]
    yield bucket
    keeping.shelf().connection.meta.client.close()  # type: ignore[attr-defined]


def keys(bucket: Any, prefix: str = "shelf/incoming/") -> list[str]:
    """What lies in the bucket."""
    return [item.key for item in bucket.objects.filter(Prefix=prefix)]


def unfinished(bucket: Any) -> int:
    """How many multipart uploads are neither complete nor aborted."""
    return sum(1 for _ in bucket.multipart_uploads.all())


def noise(seconds: float, write_wav: Any) -> bytes:
    """Noise at 48 kHz, 24 bit, stereo: 288,000 bytes a second."""
    frames = round(seconds * 48_000)
    audio = 0.05 * np.random.default_rng(7).standard_normal((frames, 2))
    blob: bytes = write_wav(audio).read_bytes()
    return blob


class TestParts:
    def test_a_file_in_uneven_pieces_arrives_whole(self, bucket, sender, write_wav):
        """Pieces below, at and above the size of a part, and a last one of a few bytes."""
        blob = noise(95, write_wav)  # 27 MB: three parts and a rest
        address = sender.open(len(blob))
        at = 0
        for piece in (1, 3 * MIB, PART_BYTES, 0, 11 * MIB, 5, len(blob)):
            body = blob[at : at + min(piece, len(blob) - at - 3)]
            answer = sender.send(address, body, at=at)
            assert (answer.status_code, answer["Upload-Offset"]) == (204, str(at + len(body)))
            at += len(body)
            assert sender.offset(address) == at
            assert len(keys(bucket)) <= 1  # one tail at most
        sender.send(address, blob[at:], at=at)
        upload = row(address)
        assert [size for _, size in upload.notes["parts"]] == [PART_BYTES] * 3 + [len(blob) - 3 * PART_BYTES]
        assert keys(bucket) == []
        received = taking.take(upload.pk, sender.member)
        assert received.sha256 == hashlib.sha256(blob).hexdigest()
        with keeping.opened(received.storage_key) as file:
            assert file.read() == blob
        assert unfinished(bucket) == 0

    def test_a_small_file_needs_no_parts(self, bucket, sender, write_wav):
        blob = write_wav(cast.tone()).read_bytes()
        address = sender.open(len(blob))
        sender.send(address, blob[:1000])
        sender.send(address, blob[1000:], at=1000)
        assert "multipart" not in row(address).notes
        received = taking.take(row(address).pk, sender.member)
        assert received.sha256 == hashlib.sha256(blob).hexdigest()

    def test_nothing_of_it_lies_on_the_disk(self, bucket, sender, settings):
        before = set(Path(settings.INCOMING_DIR).rglob("*"))
        address = sender.open(20 * MIB)
        sender.send(address, bytes(10 * MIB))
        assert set(Path(settings.INCOMING_DIR).rglob("*")) == before

    def test_it_is_completed_once_however_often_it_is_taken(
        self, bucket, sender, write_wav, django_capture_on_commit_callbacks
    ):
        blob = noise(40, write_wav)
        address = sender.open(len(blob))
        sender.send(address, blob)
        first, second = (taking.take(row(address).pk, sender.member) for _ in range(2))
        assert first.sha256 == second.sha256
        with django_capture_on_commit_callbacks(execute=True):
            sealing.seal(first, owner=sender.member, now=cast.NOW)
        assert keys(bucket) == []
        assert keeping.shelf().exists(first.storage_key)

    @pytest.mark.parametrize("blob", [b"", b"<html>", bytes(9 * MIB)])
    def test_what_is_no_audio_leaves_nothing(self, bucket, sender, blob):
        address = sender.open(len(blob))
        sender.send(address, blob)
        with pytest.raises(AudioError):
            taking.take(row(address).pk, sender.member)
        assert (keys(bucket, ""), unfinished(bucket), Upload.objects.count()) == ([], 0, 0)

    def test_a_wrong_checksum_leaves_what_was_there(self, bucket, sender):
        address = sender.open(30 * MIB)
        sender.send(address, bytes(3 * MIB))
        tails = keys(bucket)
        wrong = "sha256 " + "A" * 43 + "="
        assert sender.send(address, bytes(12 * MIB), at=3 * MIB, Upload_Checksum=wrong).status_code == 460
        assert (sender.offset(address), keys(bucket), unfinished(bucket)) == (3 * MIB, tails, 0)
        assert sender.send(address, bytes(12 * MIB), at=3 * MIB).status_code == 204

    def test_a_dead_server_costs_at_most_one_part(self, bucket, sender, monkeypatch):
        address = sender.open(40 * MIB)
        settle = BucketHold.settle

        def die_at_the_end(self, *, is_end):
            if is_end:
                raise SystemExit
            return settle(self, is_end=is_end)

        with monkeypatch.context() as patched:
            patched.setattr(BucketHold, "settle", die_at_the_end)
            with pytest.raises(SystemExit):
                sender.send(address, bytes(21 * MIB))
        assert sender.offset(address) == 2 * PART_BYTES
        assert sender.send(address, bytes(24 * MIB), at=2 * PART_BYTES).status_code == 204

    def test_parts_that_were_overwritten_are_noticed(self, bucket, sender):
        """The ETags that were recorded are those that must be there at the end."""
        address = sender.open(9 * MIB)
        sender.send(address, bytes(9 * MIB))
        upload = row(address)
        keeping.shelf().connection.meta.client.upload_part(
            Bucket=bucket.name,
            Key=f"shelf/incoming/{upload.pk.hex}",
            UploadId=upload.notes["multipart"],
            PartNumber=1,
            Body=b"x" * PART_BYTES,
        )
        with pytest.raises(Exception, match="lost on the server") as refused:
            taking.take(upload.pk, sender.member)
        assert refused.value.status == 410


class TestEnds:
    def test_throwing_away_leaves_nothing(self, bucket, sender):
        address = sender.open(30 * MIB)
        sender.send(address, bytes(9 * MIB))
        assert (len(keys(bucket)), unfinished(bucket)) == (1, 1)
        assert sender.ask("DELETE", address).status_code == 204
        assert (keys(bucket), unfinished(bucket)) == ([], 0)

    def test_the_sweep_removes_what_rested_and_what_no_row_speaks_of(self, bucket, sender, clock):
        rested, stray = sender.open(30 * MIB), sender.open(30 * MIB)
        for address in (rested, stray):
            sender.send(address, bytes(9 * MIB))
        row(stray).delete()
        # The bucket has the real clock, which is behind the one of the tests: all of it is old.
        assert ending.sweep(clock.now + timedelta(hours=48)) == 2
        assert (keys(bucket), unfinished(bucket)) == ([], 0)


class TestLease:
    def test_while_another_machine_has_it_it_is_423(self, bucket, sender, clock):
        address = sender.open(4)
        theirs = {"lease_token": uuid.uuid4(), "lease_until": clock.now + timedelta(seconds=45)}
        Upload.objects.update(**theirs)
        assert sender.send(address, b"four").status_code == 423
        assert sender.ask("DELETE", address).status_code == 423
        clock.now += timedelta(seconds=46)
        assert sender.send(address, b"four").status_code == 204
        assert row(address).lease_token is None

    def test_whoever_overslept_the_lease_commits_nothing(self, bucket, sender, monkeypatch):
        address = sender.open(4)
        settle = BucketHold.settle

        def oversleep(self, *, is_end):
            Upload.objects.update(lease_token=uuid.uuid4())
            return settle(self, is_end=is_end)

        monkeypatch.setattr(BucketHold, "settle", oversleep)
        assert sender.send(address, b"four").status_code == 409
        assert (sender.offset(address), keys(bucket)) == (0, [])

    def test_a_long_request_keeps_its_lease(self, bucket, sender, clock, monkeypatch):
        address = sender.open(30)
        seen = []
        beat = itertools.count(step=20.0)
        monkeypatch.setattr(time, "monotonic", lambda: next(beat))
        write = BucketHold.write

        def later(self, block):
            clock.now += timedelta(seconds=20)
            write(self, block)
            seen.append(row(address).lease_until - clock.now)

        monkeypatch.setattr(BucketHold, "write", later)
        sender.send(address, b"x" * 30)
        assert seen == [LEASE]
