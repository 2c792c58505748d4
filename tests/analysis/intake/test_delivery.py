"""Bytes are handed out whole or in ranges, as RFC 9110, clause 14, says."""

from __future__ import annotations

import io

import pytest
from django.test import RequestFactory

from analysis.intake import delivery, keeping

CONTENT = bytes(range(256)) * 4
ETAG = "5f0c"


@pytest.fixture(scope="module")
def key():
    """A kilobyte on the shelf."""
    return keeping.shelf().save(keeping.new_key(), io.BytesIO(CONTENT))


@pytest.fixture
def ask(key):
    """Ask for the kilobyte and read the whole answer."""

    def _ask(method: str = "GET", **headers: str):
        request = RequestFactory().generic(method, "/", headers=headers)
        answer = delivery.hand_out(request, key, size_bytes=len(CONTENT), etag=ETAG, filename="mix ü.wav")
        answer.body = b"".join(answer.streaming_content) if answer.streaming else answer.content
        return answer

    return _ask


class TestHandOut:
    def test_the_whole(self, ask):
        answer = ask()
        assert (answer.status_code, answer.body) == (200, CONTENT)
        assert answer["Content-Length"] == str(len(CONTENT))
        assert answer["Accept-Ranges"] == "bytes"
        assert answer["X-Content-Type-Options"] == "nosniff"
        assert answer["Content-Disposition"].startswith("attachment; filename*=utf-8''mix%20%C3%BC.wav")

    def test_the_head_alone(self, ask):
        answer = ask("HEAD")
        assert (answer.status_code, answer.body) == (200, b"")
        assert answer["Content-Length"] == str(len(CONTENT))

    def test_the_head_knows_no_ranges(self, ask):
        answer = ask("HEAD", Range="bytes=0-9")
        assert (answer.status_code, answer["Content-Length"]) == (200, str(len(CONTENT)))

    @pytest.mark.parametrize(
        ("asked", "start", "end"),
        [
            ("bytes=0-0", 0, 0),
            ("bytes=100-199", 100, 199),
            ("bytes=1000-", 1000, 1023),
            ("bytes=-24", 1000, 1023),
            ("bytes=1000-9999", 1000, 1023),
            ("bytes=-9999", 0, 1023),
        ],
    )
    def test_one_range(self, ask, asked, start, end):
        answer = ask(Range=asked)
        assert (answer.status_code, answer.body) == (206, CONTENT[start : end + 1])
        assert answer["Content-Range"] == f"bytes {start}-{end}/{len(CONTENT)}"

    @pytest.mark.parametrize("asked", ["bytes=1024-", "bytes=5000-6000", "bytes=-0"])
    def test_a_range_outside(self, ask, asked):
        answer = ask(Range=asked)
        assert answer.status_code == 416
        assert answer["Content-Range"] == f"bytes */{len(CONTENT)}"

    @pytest.mark.parametrize("asked", ["bytes=0-1,5-6", "bytes=-", "lines=1-2", "bytes=a-b", "bytes=9-8"])
    def test_what_is_not_one_range_gets_the_whole(self, ask, asked):
        answer = ask(Range=asked)
        assert (answer.status_code, answer.body) == (200, CONTENT)

    def test_a_resumed_download_of_the_same_version_goes_on(self, ask):
        answer = ask(Range="bytes=500-", **{"If-Range": f'"{ETAG}"'})
        assert (answer.status_code, answer.body) == (206, CONTENT[500:])

    @pytest.mark.parametrize("condition", ['"another"', f'W/"{ETAG}"', "Sat, 01 Mar 2031 00:00:00 GMT"])
    def test_two_versions_are_never_spliced(self, ask, condition):
        answer = ask(Range="bytes=500-", **{"If-Range": condition})
        assert (answer.status_code, answer.body) == (200, CONTENT)
