"""Receipts: unique, readable aloud, and the same for ever."""

from __future__ import annotations

import hashlib
import re

import pytest

from analysis.intake import keeping
from contests.entering.receipts import new_reference, receipt_text
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


@pytest.mark.django_db
def test_two_entries_have_two_receipts(send: Send) -> None:
    first = send()
    check(first)
    assert send().receipt != first.receipt
