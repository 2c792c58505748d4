"""The answers are those of tus 1.0.0: https://tus.io/protocols/resumable-upload, its sections in quotes."""

from __future__ import annotations

import base64
import hashlib
from datetime import timedelta
from email.utils import parsedate_to_datetime

import pytest
from django.test import Client

from analysis.intake.models import Upload
from tests import cast
from tests.analysis.intake.conftest import CHUNK, row, staged

pytestmark = pytest.mark.django_db

FOX = b"The quick brown fox jumps over the lazy dog"
# Published digests of that sentence, in hexadecimal: RFC 3174's SHA-1 and FIPS 180-4's SHA-256 of it are
# values from memory, known from many a public table.
FOX_SHA1 = "2fd4e1c67a2d28fced849ee1bb76e7391b93eb12"
FOX_SHA256 = "d7a8fbb307d7809469ca9abcb0082e4f8d5651e46d3cdb762d02d0bf37c9e592"


def digest(algorithm: str, hexadecimal: str) -> str:
    """The value of an Upload-Checksum header."""
    return f"{algorithm} {base64.b64encode(bytes.fromhex(hexadecimal)).decode()}"


class TestOptions:
    def test_it_tells_what_is_spoken_here(self, client, settings):
        """ "OPTIONS": Tus-Version and Tus-Extension; "Checksum": the algorithms, SHA-1 among them."""
        answer = client.options("/uploads/")
        assert answer.status_code in {200, 204}
        assert answer["Tus-Resumable"] == answer["Tus-Version"] == "1.0.0"
        assert set(answer["Tus-Extension"].split(",")) == {
            "creation",
            "expiration",
            "checksum",
            "termination",
        }
        assert {"sha1", "sha256"} == set(answer["Tus-Checksum-Algorithm"].split(","))
        assert answer["Tus-Max-Size"] == str(settings.LARGEST_UPLOAD_BYTES)

    def test_it_needs_no_version(self, client):
        """ "Tus-Resumable": in every request, except for OPTIONS."""
        assert client.options("/uploads/", headers={"Tus-Resumable": "0.2.2"}).status_code == 204


class TestVersion:
    @pytest.mark.parametrize("version", [None, "0.2.2", "1.0.1", ""])
    def test_another_is_refused_and_nothing_is_done(self, sender, version):
        """ "Tus-Version": 412, the supported versions in the answer, the request not processed."""
        address = sender.open(4)
        for answer in (
            sender.ask("POST", "/uploads/", Upload_Length=4, Tus_Resumable=version),
            sender.send(address, b"four", Tus_Resumable=version),
            sender.ask("DELETE", address, Tus_Resumable=version),
            sender.ask("HEAD", address, Tus_Resumable=version),
        ):
            assert answer.status_code == 412
            assert answer["Tus-Version"] == "1.0.0"
        assert Upload.objects.count() == 1
        assert sender.offset(address) == 0


class TestCreation:
    def test_it_answers_201_with_the_address(self, sender):
        address = sender.open(len(FOX))
        assert sender.offset(address) == 0
        answer = sender.ask("HEAD", address)
        assert answer["Upload-Length"] == str(len(FOX))
        assert answer["Tus-Resumable"] == "1.0.0"

    def test_metadata_come_back_as_they_were_sent(self, sender):
        """ "HEAD" under "Creation": the value as specified by the client during the creation."""
        sent = "filename d29ybGRfZG9taW5hdGlvbl9wbGFuLnBkZg==,is_confidential"  # the document's own example
        answer = sender.ask("POST", "/uploads/", Upload_Length=5, Upload_Metadata=sent)
        assert answer.status_code == 201
        assert sender.ask("HEAD", answer["Location"])["Upload-Metadata"] == sent
        assert row(answer["Location"]).original_name == "world_domination_plan.pdf"

    @pytest.mark.parametrize("length", [None, "", "-1", "1.5", "ten", "1e3", "٣", "9" * 19])
    def test_a_length_that_is_no_number_is_refused(self, sender, length):
        answer = sender.ask("POST", "/uploads/", Upload_Length=length)
        assert answer.status_code == 400
        assert "whole number of bytes" in answer.content.decode()
        assert not Upload.objects.exists()

    def test_a_deferred_length_is_refused(self, sender):
        """That is an extension of its own, which OPTIONS does not name."""
        assert sender.ask("POST", "/uploads/", Upload_Defer_Length=1).status_code == 400

    @pytest.mark.parametrize(
        "metadata", ["filename %%%", "a b,a b", "filename !", ",", "a,,b", "clé YQ==", "x" * 5000]
    )
    def test_unreadable_metadata_are_refused(self, sender, metadata):
        assert sender.ask("POST", "/uploads/", Upload_Length=1, Upload_Metadata=metadata).status_code == 400
        assert not Upload.objects.exists()

    def test_larger_than_the_site_takes_is_413(self, sender, settings):
        """ "POST" under "Creation": over Tus-Max-Size the server must answer 413."""
        settings.LARGEST_UPLOAD_BYTES = 1000
        answer = sender.ask("POST", "/uploads/", Upload_Length=1001)
        assert answer.status_code == 413
        assert "larger than" in answer.content.decode()
        assert sender.ask("POST", "/uploads/", Upload_Length=1000).status_code == 201

    def test_one_without_bytes_is_whole_at_once(self, sender):
        address = sender.open(0)
        assert row(address).finished_at == cast.NOW

    @pytest.mark.parametrize(
        ("sent", "shown"),
        [
            ("../../etc/passwd", "passwd"),
            ("mix\r\nSet-Cookie: a=b", "mixSet-Cookie: a=b"),
            ("nul\0.wav", "nul.wav"),
            ("", "upload"),
            ("..", ".."),
            ("ä" * 300 + ".wav", "ä" * 251 + ".wav"),
        ],
    )
    def test_a_name_reaches_no_path(self, sender, sent, shown):
        address = sender.open(4, name=sent)
        assert row(address).original_name == shown
        assert [path.name for path in staged()] == [row(address).pk.hex]


class TestPatch:
    def test_it_goes_on_where_it_stands(self, sender):
        address = sender.open(len(FOX))
        answer = sender.send(address, FOX[:10])
        assert (answer.status_code, answer["Upload-Offset"], answer.content) == (204, "10", b"")
        answer = sender.send(address, FOX[10:], at=10)
        assert (answer.status_code, answer["Upload-Offset"]) == (204, str(len(FOX)))
        assert staged()[0].read_bytes() == FOX

    @pytest.mark.parametrize("offset", [0, 9, 11, 43])
    def test_another_offset_is_409_and_changes_nothing(self, sender, offset):
        """ "PATCH": offsets that do not match get 409, without modifying the resource."""
        address = sender.open(len(FOX))
        sender.send(address, FOX[:10])
        answer = sender.send(address, b"", at=offset)
        assert answer.status_code == 409
        assert "stands at byte 10" in answer.content.decode()
        assert staged()[0].read_bytes() == FOX[:10]

    @pytest.mark.parametrize("offset", [None, "-1", "x"])
    def test_an_offset_that_is_no_number_is_400(self, sender, offset):
        address = sender.open(4)
        assert sender.send(address, b"four", at=offset).status_code == 400

    @pytest.mark.parametrize("kind", ["application/octet-stream", "", "multipart/form-data; boundary=x"])
    def test_another_content_type_is_415(self, sender, kind):
        address = sender.open(4)
        assert sender.send(address, b"four", Content_Type=kind).status_code == 415
        assert sender.offset(address) == 0

    def test_more_than_was_announced_is_413_and_changes_nothing(self, sender):
        address = sender.open(4)
        sender.send(address, b"fo")
        assert sender.send(address, b"urs", at=2).status_code == 413
        assert sender.offset(address) == 2
        assert staged()[0].read_bytes() == b"fo"

    def test_nothing_more_to_send_is_no_fault(self, sender):
        address = sender.open(4)
        sender.send(address, b"four")
        finished_at = row(address).finished_at
        answer = sender.send(address, b"", at=4)
        assert (answer.status_code, answer["Upload-Offset"]) == (204, "4")
        assert row(address).finished_at == finished_at

    def test_it_works_through_a_post(self, sender):
        """ "X-HTTP-Method-Override": interpreted as the method."""
        address = sender.open(4)
        answer = sender.ask(
            "POST", address, b"four", Upload_Offset=0, X_HTTP_Method_Override="PATCH", Content_Type=CHUNK
        )
        assert (answer.status_code, answer["Upload-Offset"]) == (204, "4")

    def test_a_method_is_never_overridden_past_the_check_for_forged_requests(self, sender):
        address = sender.open(4)
        assert sender.ask("GET", address, X_HTTP_Method_Override="DELETE").status_code == 405
        assert sender.offset(address) == 0

    def test_the_last_byte_sets_the_clock(self, sender, clock):
        address = sender.open(4)
        clock.now += timedelta(minutes=5)
        sender.send(address, b"fou")
        assert (row(address).last_byte_at, row(address).finished_at) == (clock.now, None)
        clock.now += timedelta(minutes=5)
        sender.send(address, b"r", at=3)
        assert row(address).finished_at == clock.now
        clock.now += timedelta(minutes=5)
        sender.send(address, b"", at=4)
        assert row(address).finished_at == clock.now - timedelta(minutes=5)


class TestHead:
    def test_it_is_never_cached(self, sender):
        """ "HEAD": the server must prevent caching by Cache-Control: no-store."""
        assert sender.ask("HEAD", sender.open(4))["Cache-Control"] == "no-store"

    def test_it_has_no_body(self, sender):
        address = sender.open(4)
        assert sender.ask("HEAD", address).content == b""
        assert sender.ask("HEAD", address[:-1] + ("0" if address[-1] != "0" else "1")).content == b""


class TestChecksum:
    @pytest.mark.parametrize(("algorithm", "right"), [("sha1", FOX_SHA1), ("sha256", FOX_SHA256)])
    def test_the_right_one_passes(self, sender, algorithm, right):
        address = sender.open(len(FOX))
        assert sender.send(address, FOX, Upload_Checksum=digest(algorithm, right)).status_code == 204

    @pytest.mark.parametrize(("algorithm", "right"), [("sha1", FOX_SHA1), ("sha256", FOX_SHA256)])
    def test_another_is_460_and_the_chunk_is_discarded(self, sender, algorithm, right):
        """ "Checksum": 460, the chunk discarded, the offset as before."""
        address = sender.open(len(FOX) + 3)
        sender.send(address, b"abc")
        answer = sender.send(
            address, FOX.replace(b"dog", b"cog"), at=3, Upload_Checksum=digest(algorithm, right)
        )
        assert answer.status_code == 460
        assert sender.offset(address) == 3
        assert staged()[0].read_bytes() == b"abc"
        assert sender.send(address, FOX, at=3, Upload_Checksum=digest(algorithm, right)).status_code == 204

    @pytest.mark.parametrize(
        "value",
        ["md5 1B2M2Y8AsgTpgAmY7PhCfg==", "sha1", "sha1 ", "sha1 %%", "sha1 YQ==", "", f"SHA1 {FOX_SHA1}"],
    )
    def test_what_is_no_checksum_is_400(self, sender, value):
        """ "Checksum": 400 for an algorithm that the server does not support."""
        address = sender.open(len(FOX))
        assert sender.send(address, FOX, Upload_Checksum=value).status_code == 400
        assert sender.offset(address) == 0


class TestExpiration:
    def test_each_answer_says_when(self, sender, clock):
        """ "Expiration": Upload-Expires, as an HTTP date, in the answers to POST and PATCH."""
        address = sender.open(4)
        clock.now += timedelta(hours=1)
        answer = sender.send(address, b"fo")
        wanted = clock.now + timedelta(hours=48)
        assert parsedate_to_datetime(answer["Upload-Expires"]) == wanted
        assert parsedate_to_datetime(sender.ask("HEAD", address)["Upload-Expires"]) == wanted
        assert "Upload-Expires" not in sender.send(address, b"ur", at=2)

    def test_an_expired_one_is_gone(self, sender, clock):
        address = sender.open(4)
        sender.send(address, b"fo")
        clock.now += timedelta(hours=48) - timedelta(seconds=1)
        assert sender.offset(address) == 2
        clock.now += timedelta(seconds=1)
        assert sender.ask("HEAD", address).status_code == 410
        assert sender.send(address, b"ur", at=2).status_code == 410


class TestTermination:
    def test_it_is_gone_with_its_bytes(self, sender):
        """ "Termination": 204, and 404 or 410 to whatever follows."""
        address = sender.open(4)
        sender.send(address, b"fo")
        assert sender.ask("DELETE", address).status_code == 204
        assert not staged()
        for method in ("HEAD", "PATCH", "DELETE"):
            assert sender.ask(method, address, Upload_Offset=2).status_code == 404


class TestList:
    def test_it_names_the_members_own_under_way(self, sender, make_sender, clock):
        address = sender.open(4, name="My mix.wav")
        make_sender("Bero Lund").open(4)
        sender.send(address, b"fo")
        assert sender.ask("GET", "/uploads/").json() == {
            "uploads": [
                {
                    "address": address,
                    "name": "My mix.wav",
                    "size_bytes": 4,
                    "offset_bytes": 2,
                    "expires_at": (clock.now + timedelta(hours=48)).isoformat(),
                }
            ]
        }


class TestWho:
    def test_nobody_else_finds_it(self, sender, make_sender):
        address = sender.open(4)
        stranger = make_sender("Bero Lund")
        never = address[:-12] + "0" * 12
        for method in ("HEAD", "PATCH", "DELETE"):
            theirs = stranger.ask(method, address, Upload_Offset=0)
            none = stranger.ask(method, never, Upload_Offset=0)
            assert theirs.status_code == none.status_code == 404
            assert theirs.content == none.content
        assert sender.offset(address) == 0

    def test_nobody_is_told_to_sign_in(self, sender, client):
        address = sender.open(4)
        headers = {"Tus-Resumable": "1.0.0", "Upload-Length": "4"}
        for method, where in (
            ("POST", "/uploads/"),
            ("HEAD", address),
            ("PATCH", address),
            ("DELETE", address),
        ):
            answer = client.generic(method, where, content_type=CHUNK, headers=headers)
            assert answer.status_code == 403
        assert Upload.objects.count() == 1

    def test_what_changes_something_wants_the_token(self, sender):
        address = sender.open(4)
        strict = Client(enforce_csrf_checks=True)
        strict.force_login(sender.member)
        headers = {"Tus-Resumable": "1.0.0", "Upload-Length": "4", "Upload-Offset": "0"}
        tries = [
            ("POST", "/uploads/", b"", 201),
            ("PATCH", address, b"four", 204),
            ("DELETE", address, b"", 204),
        ]
        for method, where, body, _ in tries:
            assert strict.generic(method, where, body, content_type=CHUNK, headers=headers).status_code == 403
        assert (Upload.objects.count(), row(address).offset_bytes) == (1, 0)
        token = "a" * 32  # letters and digits, the same in cookie and header: what Django compares
        strict.cookies["csrf"] = token
        for method, where, body, status in tries:
            answer = strict.generic(
                method, where, body, content_type=CHUNK, headers=headers | {"X-CSRFToken": token}
            )
            assert answer.status_code == status

    @pytest.mark.parametrize(
        ("method", "where"), [("PUT", "/uploads/"), ("PATCH", "/uploads/"), ("DELETE", "/uploads/")]
    )
    def test_other_methods_are_not_allowed(self, sender, method, where):
        answer = sender.ask(method, where)
        assert answer.status_code == 405
        assert answer["Allow"] == "GET, POST, OPTIONS"


def test_the_published_digests_are_what_hashlib_finds():
    """So that a slip in the constants above is not taken for one of ours."""
    assert (hashlib.sha1(FOX).hexdigest(), hashlib.sha256(FOX).hexdigest()) == (FOX_SHA1, FOX_SHA256)
