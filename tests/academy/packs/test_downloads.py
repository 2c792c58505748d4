"""Downloads: terms first, whole or in ranges (RFC 9110, clause 14), and one line in the ledger for each."""

from __future__ import annotations

import hashlib
import io
import subprocess
from datetime import timedelta

import numpy as np
import pytest
import soundfile

from academy.packs import publishing
from academy.packs.models import Download, StemPack, TermsAccepted
from analysis.intake import keeping
from tests import cast
from tests.academy.packs import making

pytestmark = pytest.mark.django_db

ARCHIVE = "/packs/harbour/versions/1/wav/archive/"
STEM = "/packs/harbour/versions/1/wav/stems/2/"


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
    with keeping.opened(pack.current.archives.get(form="wav").storage_key) as file:
        return file.read()


class TestWhole:
    def test_the_archive(self, client, member, pack, whole):
        response = client.get(ARCHIVE)
        assert body(response) == whole
        assert response["ETag"] == f'"{hashlib.sha256(whole).hexdigest()}"'
        assert response["Content-Type"] == "application/zip"
        assert response["Content-Length"] == str(len(whole))
        assert response["Content-Disposition"] == 'attachment; filename="Harbour Light v1 WAV.zip"'
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

    @pytest.mark.parametrize("asked", ["bytes=" + "9" * 5_000 + "-", "bytes=-" + "9" * 5_000, "bytes=٣-"])
    def test_numbers_that_are_none_are_no_range(self, client, member, whole, asked):
        response = client.get(ARCHIVE, headers={"Range": asked})
        assert (response.status_code, body(response)) == (200, whole)

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
        stem = pack.current.stems.get(position=2)
        assert [line.stem for line in Download.objects.order_by("pk")] == [None, stem]

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

    def test_earlier_terms_are_not_enough(self, client, member, pack, address, work):
        publishing.change_terms(pack, "Others.")
        work("build_pack")
        newer = address.replace("versions/1", "versions/2")
        assert (client.get(address).status_code, client.get(newer).status_code) == (410, 302)

    def test_a_draft_gets_404_even_with_terms_accepted(self, client, member, pack, address):
        StemPack.objects.filter(pk=pack.pk).update(state="draft")
        assert client.get(address).status_code == 404

    def test_it_takes_no_post(self, client, member, address):
        assert client.post(address).status_code == 405


def test_what_is_not_there_is_404(client, member, pack):
    for address in (
        "/packs/harbour/versions/1/wav/stems/9/",
        "/packs/harbour/versions/2/wav/archive/",
        "/packs/harbour/versions/1/ogg/archive/",
        "/packs/nowhere/versions/1/wav/archive/",
    ):
        assert client.get(address).status_code == 404
    pack.current.archives.all().delete()
    assert client.get(ARCHIVE).status_code == 404


class TestOldVersions:
    @pytest.mark.parametrize("address", [ARCHIVE, STEM, "/packs/harbour/versions/1/"])
    def test_an_old_link_says_so_and_names_the_new_one(self, client, member, pack, tmp_path, address):
        publishing.add_stem(pack, making.short_tone(tmp_path), name="Voice", owner=None, now=cast.NOW)
        publishing.publish(pack, changes="With the voice.", now=cast.NOW)
        response = client.get(address)
        html = response.content.decode()
        assert response.status_code == 410
        assert "Version 2 took its place" in html
        assert "With the voice." in html
        assert 'href="/packs/harbour/"' in html

    def test_a_half_download_is_never_continued_with_the_new_version(self, client, member, pack, whole, work):
        etag = client.head(ARCHIVE)["ETag"]
        first = body(client.get(ARCHIVE, headers={"Range": "bytes=0-99"}))
        publishing.change_facts(pack, notes="Mind the polarity.")
        publishing.publish(pack, now=cast.NOW)
        work("build_pack")
        rest = {"Range": "bytes=100-", "If-Range": etag}
        assert client.get(ARCHIVE, headers=rest).status_code == 410
        # Somebody who moves the range to the new address gets all of it: RFC 9110, clause 13.1.5.
        newer = client.get(ARCHIVE.replace("versions/1", "versions/2"), headers=rest)
        assert newer.status_code == 200
        assert first + body(newer) != whole

    def test_the_newest_versions_address_leads_to_the_page(self, client, pack):
        assert client.get("/packs/harbour/versions/1/")["Location"] == "/packs/harbour/"
        assert client.get("/packs/harbour/versions/2/").status_code == 404

    def test_the_old_bytes_are_gone(self, pack, django_capture_on_commit_callbacks):
        key = pack.current.archives.get(form="wav").storage_key
        publishing.change_facts(pack, key="F major")
        with django_capture_on_commit_callbacks(execute=True):
            publishing.publish(pack, now=cast.NOW)
        assert not keeping.shelf().exists(key)


class TestLimit:
    def test_one_more_than_a_day_allows_is_refused_in_words(self, client, member, settings):
        settings.PACK_DOWNLOADS_A_DAY = 2
        for _ in range(2):
            assert client.get(STEM).status_code == 200
        response = client.get(ARCHIVE)
        assert response.status_code == 429
        assert "You have started 2 downloads within a day" in response.content.decode()
        assert int(response["Retry-After"]) == 24 * 3600 + 1
        assert Download.objects.count() == 2

    def test_what_was_begun_can_be_resumed_all_the_same(self, client, member, settings):
        settings.PACK_DOWNLOADS_A_DAY = 1
        client.get(ARCHIVE)
        assert client.get(ARCHIVE, headers={"Range": "bytes=100-"}).status_code == 206

    def test_yesterdays_do_not_count(self, client, member, settings):
        settings.PACK_DOWNLOADS_A_DAY = 1
        client.get(ARCHIVE)
        Download.objects.update(started_at=cast.NOW - timedelta(days=1))
        assert client.get(ARCHIVE).status_code == 200

    def test_pieces_without_end_count_as_another_download(self, client, member, whole):
        client.get(ARCHIVE)
        for _ in range(21):  # twenty times over is allowed for lines that break
            client.get(ARCHIVE, headers={"Range": "bytes=1-"})
        assert Download.objects.count() == 2


class TestHandedOn:
    """By a front server or a bucket, where the settings say so."""

    def test_the_front_server_gets_the_key_and_our_headers(self, client, member, pack, settings):
        settings.INTERNAL_REDIRECT = "/kept"
        response = client.get(ARCHIVE, headers={"Range": "bytes=5-"})
        key = pack.current.archives.get(form="wav").storage_key
        assert (response.status_code, response.content) == (200, b"")
        assert response["X-Accel-Redirect"] == f"/kept/{key}"
        assert response["Content-Type"] == "application/zip"
        assert response["Content-Disposition"] == 'attachment; filename="Harbour Light v1 WAV.zip"'
        assert response["X-Content-Type-Options"] == "nosniff"
        assert Download.objects.count() == 1

    def test_a_bucket_is_asked_for_a_signed_address(self, client, member, pack, settings, monkeypatch):
        asked = []

        class Bucket:
            querystring_auth = True

            def url(self, key, *, parameters):
                asked.append((key, parameters))
                return "https://bucket.example.org/signed"

        settings.SIGNED_ADDRESSES = True
        monkeypatch.setattr(keeping, "shelf", Bucket)
        response = client.get(STEM)
        assert (response.status_code, response["Location"]) == (302, "https://bucket.example.org/signed")
        key = pack.current.stems.get(position=2).recording.storage_key
        ((asked_key, answer),) = asked
        assert asked_key == key
        # The names of the query that overrides an answer: S3's API reference, GetObject, request syntax.
        assert set(answer) == {"ResponseContentType", "ResponseContentDisposition", "ResponseCacheControl"}
        assert answer["ResponseContentType"] == "audio/wav"
        assert Download.objects.count() == 1

    def test_a_folder_has_no_signed_addresses(self, client, member, settings):
        settings.SIGNED_ADDRESSES = True
        assert client.get(STEM).status_code == 200


class TestForms:
    @pytest.mark.needs("flac")
    def test_a_stem_as_flac_is_sound_and_holds_the_same_samples(self, client, member, pack, tmp_path):
        path = tmp_path / "stem.flac"
        response = client.get(STEM.replace("/wav/", "/flac/"))
        path.write_bytes(body(response))
        assert response["Content-Type"] == "audio/flac"
        assert response["Content-Disposition"].endswith(".flac")
        subprocess.run(["flac", "--silent", "--test", path], check=True)
        recording = pack.current.stems.get(position=2).recording
        with keeping.local_path(recording.storage_key) as given:
            # libsndfile reads both; soundfile's int32 has the 24 bits at the top.
            assert np.array_equal(
                soundfile.read(path, dtype="int32")[0],
                soundfile.read(io.BytesIO(given.read_bytes()), dtype="int32")[0],
            )
