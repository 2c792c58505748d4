"""Packs sent by somebody else, end to end: a front server's internal redirect, a bucket's signed addresses.

Each is the real thing: nginx with the settings that the README shows, and an S3 endpoint. Ranges: RFC 9110,
clause 14; `If-Range`: clause 13.1.5.
"""

from __future__ import annotations

import hashlib
import http.client
import itertools
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from tests.services import programs
from tests.services.serving import Served, serving
from tests.services.site import Site

ARCHIVE = "/packs/harbour/versions/1/wav/archive/"
STEM = "/packs/harbour/versions/1/wav/stems/1/"


@dataclass
class Answer:
    """What came back."""

    status: int
    headers: http.client.HTTPMessage
    body: bytes


def ask(address: str, method: str = "GET", **headers: str) -> Answer:
    """One request that follows nothing."""
    parts = urlsplit(address)
    line = http.client.HTTPConnection(parts.hostname or "", parts.port, timeout=60)
    try:
        path = parts.path + (f"?{parts.query}" if parts.query else "")
        line.request(method, path, headers={name.replace("_", "-"): value for name, value in headers.items()})
        answer = line.getresponse()
        return Answer(answer.status, answer.headers, answer.read())
    finally:
        line.close()


@dataclass
class Stage:
    """A served site with one published pack, its archive built, and the address by which people come."""

    site: Site
    address: str
    pack: dict[str, Any]
    archive: dict[str, Any]

    def get(self, path: str, person: str | None = "member", method: str = "GET", **headers: str) -> Answer:
        """Ask as one of the people."""
        if person is not None:
            headers["Cookie"] = f"session={self.pack['cookies'][person]}"
        return ask(self.address + path, method, **headers)

    def accept(self) -> None:
        """The member accepts the terms."""
        self.site.play("accept_terms", pack=self.pack["pack"], member=self.pack["member"])

    def ledger(self) -> list[list[Any]]:
        """Its lines so far."""
        lines: list[list[Any]] = self.site.play("ledger")
        return lines


def open_stage(served: Served, file: str) -> Stage:
    """Publish a pack and wait for its worker to build the archive."""
    site = served.site
    pack = site.play("publish_pack", file=file)
    programs.wait_until(
        lambda: site.play("built_archive", pack=pack["pack"]), seconds=60, what="the archive is built"
    )
    return Stage(site, served.address, pack, site.play("built_archive", pack=pack["pack"]))


def refuses_whom_it_should(stage: Stage) -> None:
    """Nobody, the wrong tier, and who has not accepted the terms; none of them leaves a line."""
    for path in (ARCHIVE, STEM):
        assert stage.get(path, None).status == 404
        assert stage.get(path, "other").status == 404
        asked = stage.get(path)
        assert (asked.status, asked.headers["Location"]) == (302, "/packs/harbour/")
        assert asked.body == b""
    assert stage.ledger() == []


@pytest.mark.needs("nginx")
class TestFrontServer:
    @pytest.fixture
    def stage(self, make_site, write_noise) -> Iterator[Stage]:
        """The site behind nginx, which may read the recordings as one of the group only."""
        with tempfile.TemporaryDirectory(prefix="site-nginx-") as name:  # pytest's own is closed to others
            folder = Path(name)
            folder.chmod(0o750)
            shelf = folder / "recordings"
            site = make_site(
                STORAGE_URL=f"file://{shelf}",
                INTERNAL_REDIRECT="/kept/",
                ALLOWED_HOSTS="localhost,127.0.0.1",
                BEHIND_PROXY="1",
            )
            with serving(site) as served:
                stage = open_stage(served, write_noise(seconds=3.0))
                with programs.nginx(folder, shelf=shelf, site=served.address) as stage.address:
                    yield stage

    def test_a_pack_comes_whole_and_in_parts_to_whom_it_is_open(self, stage):
        refuses_whom_it_should(stage)
        stage.accept()
        whole = stage.get(ARCHIVE)
        assert whole.status == 200
        assert hashlib.sha256(whole.body).hexdigest() == stage.archive["sha256"]
        assert whole.headers["Content-Type"] == "application/zip"
        assert whole.headers["Content-Disposition"] == 'attachment; filename="Harbour Light v1 WAV.zip"'
        assert whole.headers["Cache-Control"] == "private, no-store"
        assert whole.headers["X-Content-Type-Options"] == "nosniff"
        assert whole.headers["ETag"] == f'"{stage.archive["sha256"]}"'
        assert "X-Accel-Redirect" not in whole.headers
        assert "Last-Modified" not in whole.headers  # no mark but the ETag that the site knows
        assert whole.headers["Server"].startswith("nginx")

        size, etag = len(whole.body), whole.headers["ETag"]
        cuts = [size * tenth // 10 for tenth in range(11)]
        parts = [
            stage.get(ARCHIVE, Range=f"bytes={first}-{end - 1}", If_Range=etag)
            for first, end in itertools.pairwise(cuts)
        ]
        assert [part.status for part in parts] == [206] * 10
        assert parts[3].headers["Content-Range"] == f"bytes {cuts[3]}-{cuts[4] - 1}/{size}"
        joined = b"".join(part.body for part in parts)
        assert hashlib.sha256(joined).hexdigest() == stage.archive["sha256"]
        # Two started at the first byte; what goes on is added to the one that it goes on with.
        member = stage.pack["member"]
        assert stage.ledger() == [[member, True, size], [member, True, size]]

        spliced = stage.get(ARCHIVE, Range="bytes=100-", If_Range='"another"')
        assert (spliced.status, len(spliced.body)) == (200, size)
        assert stage.get(ARCHIVE, Range=f"bytes={size}-").status == 416
        several = stage.get(ARCHIVE, Range="bytes=0-1,5-9")
        assert (several.status, len(several.body)) == (200, size)
        told = stage.get(ARCHIVE, method="HEAD")
        assert (told.status, told.headers["Content-Length"], told.body) == (200, str(size), b"")

    def test_one_stem_comes_and_nothing_comes_past_the_site(self, stage):
        stage.accept()
        stem = stage.get(STEM)
        assert (stem.status, stem.headers["Content-Type"], stem.body[:4]) == (200, "audio/wav", b"RIFF")
        assert f'"{hashlib.sha256(stem.body).hexdigest()}"' == stem.headers["ETag"]
        assert stage.ledger() == [[stage.pack["member"], False, len(stem.body)]]
        assert stage.get(f"/kept/{stage.archive['key']}").status == 404

    def test_the_rest_of_the_site_is_passed_through(self, stage):
        page = stage.get("/packs/")
        assert (page.status, b"Harbour Light" in page.body) == (200, True)


class TestBucket:
    @pytest.fixture
    def stage(self, make_site, write_noise) -> Iterator[Stage]:
        """The site with its recordings in a bucket that sends them itself."""
        with programs.s3_endpoint() as endpoint:
            site = make_site(
                STORAGE_URL=f"s3://recordings/shelf?endpoint={endpoint}&region=us-east-1",
                AWS_ACCESS_KEY_ID="tests",
                AWS_SECRET_ACCESS_KEY="only for the tests",
                SIGNED_ADDRESSES="1",
            )
            site.play("make_bucket", endpoint=endpoint, bucket="recordings")
            with serving(site) as served:
                yield open_stage(served, write_noise(seconds=3.0))

    def follow(self, stage: Stage, path: str, **headers: str) -> Answer:
        """Ask the site, then the bucket, with the same headers but the cookie, as clients do."""
        told = stage.get(path, **headers)
        assert told.status == 302
        assert told.headers["Cache-Control"] == "no-store"
        address = told.headers["Location"]
        assert address.startswith(stage.site.environment["STORAGE_URL"].split("endpoint=")[1].split("&")[0])
        assert "X-Amz-Signature=" in address
        assert "X-Amz-Expires=600" in address
        return ask(address, **headers)

    def test_a_pack_comes_whole_and_in_parts_to_whom_it_is_open(self, stage):
        refuses_whom_it_should(stage)
        stage.accept()
        whole = self.follow(stage, ARCHIVE)
        assert whole.status == 200
        assert hashlib.sha256(whole.body).hexdigest() == stage.archive["sha256"]
        assert whole.headers["Content-Type"] == "application/zip"
        assert whole.headers["Content-Disposition"] == 'attachment; filename="Harbour Light v1 WAV.zip"'
        assert whole.headers["Cache-Control"] == "private, no-store"

        # The bucket's own mark, which the site has never seen: a client goes on with it all the same.
        size, etag = len(whole.body), whole.headers["ETag"]
        assert etag != f'"{stage.archive["sha256"]}"'
        cuts = [size * tenth // 10 for tenth in range(11)]
        parts = [
            self.follow(stage, ARCHIVE, Range=f"bytes={first}-{end - 1}", If_Range=etag)
            for first, end in itertools.pairwise(cuts)
        ]
        assert [part.status for part in parts] == [206] * 10
        joined = b"".join(part.body for part in parts)
        assert hashlib.sha256(joined).hexdigest() == stage.archive["sha256"]
        # Nine went on, and each might have got the whole.
        member = stage.pack["member"]
        assert stage.ledger() == [[member, True, size], [member, True, 10 * size]]
        plain = self.follow(stage, ARCHIVE, Range="bytes=100-199")
        assert (plain.status, plain.body) == (206, whole.body[100:200])
        assert stage.ledger()[1][2] == 10 * size + 100

    def test_one_stem_comes_and_head_is_answered_by_the_site(self, stage):
        stage.accept()
        told = stage.get(STEM, method="HEAD")
        assert (told.status, told.body) == (200, b"")
        stem = self.follow(stage, STEM)
        assert (stem.status, stem.headers["Content-Type"]) == (200, "audio/wav")
        assert f'"{hashlib.sha256(stem.body).hexdigest()}"' == told.headers["ETag"]
        assert len(stem.body) == int(told.headers["Content-Length"])
        assert stage.ledger() == [[stage.pack["member"], False, len(stem.body)]]
