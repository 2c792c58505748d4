"""Downloads: terms first, whole or in ranges (RFC 9110, clause 14), and one line in the ledger for each."""

from __future__ import annotations

import hashlib

import pytest

from academy.packs import publishing
from academy.packs.models import Download, StemPack, TermsAccepted
from analysis.intake import keeping
from tests import cast
from tests.academy.packs import making

pytestmark = pytest.mark.django_db

ARCHIVE = "/packs/harbour/archive/"
STEM = "/packs/harbour/stems/2/"


@pytest.fixture
def pack(tmp_path, work) -> StemPack:
    made = making.draft(tmp_path, ["Kick in", "Bass / DI – ö"], tier=cast.tier("full"))
    publishing.publish(made)
    work("build_pack")
    made.refresh_from_db()
    return made


@pytest.fixture
def member(client, pack):
    """A member whose tier opens the pack and who accepted its terms, signed in."""
    person = cast.member(tier=cast.tier("full"))
    TermsAccepted.objects.create(pack=pack, member=person, terms_version=1, accepted_at=cast.NOW)
    client.force_login(person)
    return person


def body(response) -> bytes:
    """All that was streamed."""
    return b"".join(response.streaming_content)


@pytest.fixture
def whole(pack) -> bytes:
    """The archive's bytes."""
    with keeping.opened(pack.archive_key) as file:
        return file.read()


class TestWhole:
    def test_the_archive(self, client, member, pack, whole):
        response = client.get(ARCHIVE)
        assert body(response) == whole
        assert response["ETag"] == f'"{hashlib.sha256(whole).hexdigest()}"'
        assert response["Content-Type"] == "application/zip"
        assert response["Content-Length"] == str(len(whole))
        assert response["Content-Disposition"] == 'attachment; filename="Harbour Light.zip"'
        assert response["Accept-Ranges"] == "bytes"
        assert "private" in response["Cache-Control"]

    def test_a_stem(self, client, member, pack):
        response = client.get(STEM)
        recording = pack.stems.get(position=2).recording
        assert hashlib.sha256(body(response)).hexdigest() == recording.sha256
        assert response["ETag"] == f'"{recording.sha256}"'
        assert response["Content-Type"] == "audio/wav"
        # RFC 6266, clause 5, with the encoding of RFC 8187: "02 Bass DI – ö.wav".
        assert response["Content-Disposition"] == (
            "attachment; filename*=utf-8''02%20Bass%20DI%20%E2%80%93%20%C3%B6.wav"
        )

    def test_head_tells_the_size_and_sends_nothing(self, client, member, whole):
        response = client.head(ARCHIVE)
        assert response.status_code == 200
        assert response["Content-Length"] == str(len(whole))
        assert body(response) == b""
        assert not Download.objects.exists()


class TestRanges:
    @pytest.mark.parametrize(
        ("asked", "first", "last"), [("bytes=0-9", 0, 9), ("bytes=100-", 100, None), ("bytes=-10", -10, None)]
    )
    def test_one_range_is_honoured(self, client, member, whole, asked, first, last):
        response = client.get(ARCHIVE, headers={"Range": asked})
        expected = whole[first:] if last is None else whole[first : last + 1]
        start = first % len(whole)
        assert response.status_code == 206
        assert body(response) == expected
        assert response["Content-Range"] == f"bytes {start}-{start + len(expected) - 1}/{len(whole)}"

    def test_parts_make_the_whole(self, client, member, whole):
        etag = client.head(ARCHIVE)["ETag"]
        half = len(whole) // 2
        parts = [
            body(client.get(ARCHIVE, headers={"Range": asked, "If-Range": etag}))
            for asked in (f"bytes=0-{half - 1}", f"bytes={half}-")
        ]
        assert b"".join(parts) == whole

    def test_another_etag_in_if_range_gets_the_whole(self, client, member, whole):
        response = client.get(ARCHIVE, headers={"Range": "bytes=100-", "If-Range": '"another"'})
        assert response.status_code == 200
        assert body(response) == whole

    def test_a_range_outside_is_refused_with_the_size(self, client, member, whole):
        response = client.get(ARCHIVE, headers={"Range": f"bytes={len(whole)}-"})
        assert response.status_code == 416
        assert response["Content-Range"] == f"bytes */{len(whole)}"
        assert not Download.objects.exists()


class TestLedger:
    def test_a_started_download_is_one_line_and_its_continuation_none(self, client, member, pack):
        client.get(ARCHIVE, headers={"Range": "bytes=0-99"})
        client.get(ARCHIVE, headers={"Range": "bytes=100-199"})
        client.get(ARCHIVE, headers={"Range": "bytes=200-"})
        line = Download.objects.get()
        assert (line.pack, line.stem, line.member, line.started_at) == (pack, None, member, cast.NOW)

    def test_a_stem_has_a_line_of_its_own(self, client, member, pack):
        client.get(ARCHIVE)
        client.get(STEM)
        assert [line.stem for line in Download.objects.order_by("pk")] == [None, pack.stems.get(position=2)]

    def test_each_start_counts(self, client, member):
        client.get(STEM)
        client.get(STEM)
        assert Download.objects.count() == 2

    def test_leaving_out_the_first_byte_does_not_leave_out_the_line(self, client, member):
        client.get(STEM, headers={"Range": "bytes=1-"})
        assert Download.objects.count() == 1

    def test_a_range_that_gets_the_whole_is_a_start(self, client, member):
        client.get(ARCHIVE)
        client.get(ARCHIVE, headers={"Range": "bytes=100-", "If-Range": '"another"'})
        assert Download.objects.count() == 2


@pytest.mark.parametrize("address", [ARCHIVE, STEM])
class TestWhoMay:
    def test_a_visitor_gets_404(self, client, pack, address):
        assert client.get(address).status_code == 404

    def test_the_wrong_tier_gets_404(self, client, pack, address):
        client.force_login(cast.member(tier=cast.tier("low", 1)))
        assert client.get(address).status_code == 404

    def test_before_the_terms_there_is_only_the_page_with_the_terms(self, client, pack, address):
        client.force_login(cast.member(tier=cast.tier("full")))
        response = client.get(address)
        assert (response.status_code, response["Location"]) == (302, "/packs/harbour/")
        assert not Download.objects.exists()

    def test_earlier_terms_are_not_enough(self, client, member, pack, address):
        publishing.change_terms(pack, "Others.")
        assert client.get(address).status_code == 302

    def test_a_draft_gets_404_even_with_terms_accepted(self, client, member, pack, address):
        StemPack.objects.filter(pk=pack.pk).update(state="draft")
        assert client.get(address).status_code == 404

    def test_it_takes_no_post(self, client, member, address):
        assert client.post(address).status_code == 405


def test_what_is_not_there_is_404(client, member, pack):
    assert client.get("/packs/harbour/stems/9/").status_code == 404
    assert client.get("/packs/nowhere/archive/").status_code == 404
    StemPack.objects.filter(pk=pack.pk).update(archive_key="")
    assert client.get(ARCHIVE).status_code == 404
