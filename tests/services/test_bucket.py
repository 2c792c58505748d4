"""Recordings in an S3-compatible bucket: kept, read, handed out in ranges, measured, discarded."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import tones
from tests.services import programs
from tests.services.site import Site


@pytest.fixture(scope="module")
def endpoint() -> Iterator[str]:
    """An S3 endpoint in a process of its own."""
    with programs.s3_endpoint() as address:
        yield address


@pytest.fixture
def site(make_site, endpoint: str) -> Site:
    """A site whose recordings lie in a bucket."""
    site: Site = make_site(
        STORAGE_URL=f"s3://recordings/shelf?endpoint={endpoint}&region=us-east-1",
        AWS_ACCESS_KEY_ID="tests",
        AWS_SECRET_ACCESS_KEY="only for the tests",
    )
    site.play("make_bucket", endpoint=endpoint, bucket="recordings")
    return site


@pytest.fixture
def file(write_wav) -> Path:
    """Five seconds of the sine whose loudness BS.1770 states."""
    path: Path = write_wav(tones.sine(997.0, -20.0, 5.0, rate_hz=48_000))
    return path


class TestBucket:
    def test_what_goes_in_comes_out_by_every_way(self, site, file):
        sent = file.read_bytes()
        kept = site.play("keep_and_hand_out", file=str(file), ranges=["", "bytes=44-1043", "bytes=-7"])
        assert kept["sha256"] == hashlib.sha256(sent).hexdigest()
        assert bytes.fromhex(kept["opened"]) == sent
        assert bytes.fromhex(kept["on_this_machine"]) == sent
        assert kept["copy_is_gone"]
        statuses, bodies = zip(*kept["ranges"], strict=True)
        assert statuses == (200, 206, 206)
        assert [bytes.fromhex(body) for body in bodies] == [sent, sent[44:1044], sent[-7:]]

    def test_a_recording_in_it_is_measured(self, site, file):
        kept = site.play("keep_and_hand_out", file=str(file), ranges=[])
        # ITU-R BS.1770-5, Annex 1: a 997 Hz sine at full scale in one channel reads -3.01 LKFS, so in both
        # channels 0.00, and 20 dB down -20.00.
        assert site.play("measure", recording=kept["recording"]) == pytest.approx(-20.0, abs=0.02)

    def test_what_is_discarded_is_gone_and_may_be_discarded_again(self, site, file):
        key = site.play("keep_and_hand_out", file=str(file), ranges=[])["key"]
        assert site.play("discard", key=key) == [True, False]
        assert site.play("discard", key=key) == [False, False]

    def test_nothing_lies_on_the_sites_own_disk(self, site, file):
        site.play("keep_and_hand_out", file=str(file), ranges=[])
        on_disk = [
            path for path in site.folder.rglob("*") if path.is_file() and path.stat().st_size > 100_000
        ]
        assert [path.name for path in on_disk if not path.name.startswith("site.sqlite3")] == []

    def test_an_entry_is_taken_and_checked_from_it(self, site, file):
        people = site.play("open_contest")
        with site.worker():
            entry = site.play("enter", contest=people["contest"], entrant=people["entrant"], file=str(file))[
                "entry"
            ]
            programs.wait_until(
                lambda: site.play("standing_of", entry=entry)["entry"] == "ready",
                seconds=60,
                what="the entry is ready",
            )
        assert site.play("standing_of", entry=entry)["entry"] == "ready"

    def test_readiness_tells_a_bucket_that_is_gone(self, make_site):
        nobody = f"http://127.0.0.1:{programs.free_port()}"
        site = make_site(
            STORAGE_URL=f"s3://recordings?endpoint={nobody}&region=us-east-1",
            AWS_ACCESS_KEY_ID="tests",
            AWS_SECRET_ACCESS_KEY="only for the tests",
        )
        assert not site.play("readiness")["storage"]
