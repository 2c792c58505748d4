"""Receipts: unique, readable aloud, and the same for ever."""

from __future__ import annotations

import base64
import hashlib
import re
import subprocess
from pathlib import Path

import pytest

from analysis.intake import keeping
from contests.entering.receipts import check_receipt, new_reference, receipt_text, signed_receipt
from contests.states import EntryState
from tests.contests.entering.conftest import Send, check, file_bytes


class TestNewReference:
    def test_it_has_three_groups_of_clear_letters(self) -> None:
        assert re.fullmatch(r"([2-9A-HJKMNP-TV-Z]{4}-){2}[2-9A-HJKMNP-TV-Z]{4}", new_reference())

    def test_it_does_not_repeat(self) -> None:
        # 30^12 references: the birthday bound for 5,000 of them is 5000^2 / (2 * 30^12), about 2e-11.
        assert len({new_reference() for _ in range(5_000)}) == 5_000


class TestReceiptText:
    def test_it_says_what_arrived_and_when(self, send: Send) -> None:
        blob = file_bytes()
        entry = send(blob)
        text = receipt_text(entry)
        assert entry.receipt in text
        assert hashlib.sha256(blob).hexdigest() in text
        assert f"{len(blob)} bytes" in text
        assert "Fri 14 Mar 2031, 12:00 (UTC, Europe/Lisbon)" in text  # winter time there, until 30 March
        assert "version 1" in text

    def test_it_stays_the_same_whatever_becomes_of_the_entry(self, send: Send) -> None:
        entry = send()
        first = receipt_text(entry)
        check(entry)
        entry.move_to(EntryState.WITHDRAWN)
        entry.contest.rules_version = 9
        entry.contest.save()
        assert receipt_text(entry) == first

    def test_its_hash_is_that_of_the_bytes_kept(self, send: Send) -> None:
        entry = send()
        with keeping.opened(entry.recording.storage_key) as file:
            assert hashlib.sha256(file.read()).hexdigest() in receipt_text(entry)


class TestSignedReceipt:
    def test_it_is_genuine_as_it_was_handed_out(self, send: Send) -> None:
        entry = send()
        check = check_receipt(signed_receipt(entry))
        assert check.is_genuine
        assert check.reference == entry.receipt

    def test_line_ends_of_another_system_do_no_harm(self, send: Send) -> None:
        assert check_receipt("\ufeff" + signed_receipt(send()).replace("\n", "\r\n")).is_genuine

    def test_every_changed_letter_is_seen(self, send: Send) -> None:
        text = signed_receipt(send())
        unseen = []
        for at, letter in enumerate(text.rstrip()):
            altered = text[:at] + ("x" if letter != "x" else "y") + text[at + 1 :]
            if check_receipt(altered).is_genuine:
                unseen.append(at)
        assert unseen == []

    def test_openssl_agrees(self, send: Send, tmp_path: Path) -> None:
        text = signed_receipt(send())
        said, _, signed = text.partition("\nSigned by the site.")
        key, signature = re.findall(r"^(?:Key|Signature): (\S+)$", signed, flags=re.MULTILINE)
        # RFC 8410, section 4: the fixed beginning of an Ed25519 public key in DER.
        (tmp_path / "key.der").write_bytes(bytes.fromhex("302a300506032b6570032100") + base64.b64decode(key))
        (tmp_path / "signature").write_bytes(base64.b64decode(signature))
        (tmp_path / "said").write_text(said)
        call = ["openssl", "pkeyutl", "-verify", "-pubin", "-inkey", tmp_path / "key.der", "-keyform", "DER"]
        call += ["-rawin", "-in", tmp_path / "said", "-sigfile", tmp_path / "signature"]
        done = subprocess.run(call, capture_output=True, text=True)
        assert "Verified Successfully" in done.stdout, done.stderr

    @pytest.mark.parametrize("text", ["", "RECEIPT", "Key: a\nSignature: b"])
    def test_what_is_no_receipt_is_said_to_be_none(self, text: str) -> None:
        assert "no signed receipt" in check_receipt(text).words


class TestReceiptsPage:
    def test_anybody_may_ask(self, client, send: Send) -> None:
        entry = send()
        response = client.post("/contests/receipts/", {"receipt": signed_receipt(entry)})
        assert response.status_code == 200
        assert "Genuine" in response.content.decode()
        assert entry.receipt in response.content.decode()

    def test_a_changed_one_is_refused_in_words(self, client, send: Send) -> None:
        text = signed_receipt(send()).replace("version 1", "version 2")
        response = client.post("/contests/receipts/", {"receipt": text})
        assert response.status_code == 422
        assert "The signature does not fit" in response.content.decode()

    @pytest.mark.django_db
    def test_nothing_pasted(self, client) -> None:
        assert client.get("/contests/receipts/").status_code == 200
        response = client.post("/contests/receipts/", {"receipt": ""})
        assert (response.status_code, "Paste the text" in response.content.decode()) == (422, True)


@pytest.mark.django_db
def test_two_entries_have_two_receipts(send: Send) -> None:
    first = send()
    check(first)
    assert send().receipt != first.receipt
