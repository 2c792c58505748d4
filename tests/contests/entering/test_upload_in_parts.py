"""The form after its file: the file went ahead in parts, by tus 1.0.0, and the form names the upload."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from datetime import timedelta

import pytest
from django.test import Client

from analysis.intake.models import Recording, Upload
from contests.entering.receipts import receipt_text
from contests.entering.submissions import FORM_GRACE
from contests.models import Contest, Entry
from tests.clock import Clock
from tests.contests.entering.conftest import Send, check, file_bytes, form_of, kept_files
from tests.contests.entering.test_upload_page import JSON, address

SendAhead = Callable[..., str]


@pytest.fixture
def send_ahead(browser: Client) -> SendAhead:
    """Send a file in two parts, as the entrant unless another browser is given; the upload's id."""

    def send_ahead(blob: bytes | None = None, *, by: Client = browser, parts: int = 2) -> str:
        blob = file_bytes() if blob is None else blob
        headers = {"Tus-Resumable": "1.0.0", "Upload-Length": str(len(blob))}
        headers["Upload-Metadata"] = "filename TXkgbWl4Lndhdg=="  # "My mix.wav" in Base64, RFC 4648
        where = by.post("/uploads/", headers=headers)["Location"]
        for start, end in [(0, 1000), (1000, len(blob))][:parts]:
            headers = {"Tus-Resumable": "1.0.0", "Upload-Offset": str(start)}
            answer = by.patch(
                where, blob[start:end], content_type="application/offset+octet-stream", headers=headers
            )
            assert answer.status_code == 204
        return where.rpartition("/")[2]

    return send_ahead


def form(contest: Contest, upload_id: str, **fields: object) -> dict[str, object]:
    """The form as the script sends it: the upload's id in place of the file."""
    filled = form_of(contest, **fields)
    del filled["file"]
    return filled | {"upload": upload_id}


class TestEnter:
    def test_it_takes_the_file_that_went_ahead(
        self, browser: Client, contest: Contest, send_ahead: SendAhead
    ) -> None:
        response = browser.post(address(contest), form(contest, send_ahead(), note="Thank you."), **JSON)
        assert response.status_code == 201
        entry = Entry.objects.get()
        assert response.json()["receipt"] == entry.receipt
        assert entry.recording.sha256 == hashlib.sha256(file_bytes()).hexdigest()
        assert (entry.recording.original_name, entry.note_to_judges) == ("My mix.wav", "Thank you.")
        assert not Upload.objects.exists()
        assert check(entry)
        assert entry.state == "ready"

    @pytest.mark.parametrize(
        ("seconds_before_close", "is_taken"), [(-1, False), (0, False), (1, True), (60, True)]
    )
    def test_the_last_byte_decides_not_the_form(
        self,
        browser: Client,
        contest: Contest,
        clock: Clock,
        send_ahead: SendAhead,
        seconds_before_close: int,
        is_taken: bool,
    ) -> None:
        clock.now = contest.closes_at - timedelta(seconds=seconds_before_close)
        last_byte_at = clock.now
        upload_id = send_ahead()
        clock.now = contest.closes_at + timedelta(minutes=5)
        response = browser.post(address(contest), form(contest, upload_id), **JSON)
        assert response.status_code == (201 if is_taken else 422)
        assert [entry.received_at for entry in Entry.objects.all()] == [last_byte_at] * is_taken
        if not is_taken:
            assert "not taking entries any more" in response.json()["message"]

    @pytest.mark.parametrize(
        ("begun_before_s", "ended_after_s", "is_taken"),
        [(60, 1199, True), (1, 0, True), (60, 1200, False), (0, 30, False), (-1, 30, False)],
    )
    def test_within_the_grace_an_upload_that_was_begun_in_time_may_end(
        self,
        browser: Client,
        contest: Contest,
        clock: Clock,
        send_ahead: SendAhead,
        begun_before_s: int,
        ended_after_s: int,
        is_taken: bool,
    ) -> None:
        contest.grace_minutes = 20
        contest.save()
        clock.now = begun_at = contest.closes_at - timedelta(seconds=begun_before_s)
        upload_id = send_ahead()
        ended_at = contest.closes_at + timedelta(seconds=ended_after_s)
        Upload.objects.filter(pk=upload_id).update(finished_at=ended_at)
        clock.now = ended_at + timedelta(minutes=2)
        response = browser.post(address(contest), form(contest, upload_id), **JSON)
        assert response.status_code == (201 if is_taken else 422)
        if is_taken:
            entry = Entry.objects.get()
            assert (entry.begun_at, entry.received_at) == (begun_at, ended_at)
            assert "Upload begun" in receipt_text(entry)
        else:
            assert not Entry.objects.exists()

    def test_within_the_grace_only_who_has_begun_finds_the_form(
        self, browser: Client, stranger: Client, contest: Contest, clock: Clock, send_ahead: SendAhead
    ) -> None:
        contest.grace_minutes = 20
        contest.save()
        clock.now = contest.closes_at - timedelta(minutes=1)
        send_ahead(parts=1)
        clock.now = contest.closes_at + timedelta(minutes=5)
        assert b"data-upload-scope" in browser.get(address(contest)).content
        page = stranger.get(address(contest)).content
        assert b"data-upload-scope" not in page
        assert b"not taking entries any more" in page

    @pytest.mark.parametrize(("beyond", "status"), [(timedelta(seconds=-1), 201), (timedelta(0), 422)])
    def test_what_was_left_lying_does_not_come_in_long_after_the_close(
        self,
        browser: Client,
        contest: Contest,
        clock: Clock,
        send_ahead: SendAhead,
        beyond: timedelta,
        status: int,
    ) -> None:
        upload_id = send_ahead()
        clock.now = contest.closes_at + FORM_GRACE + beyond
        assert browser.post(address(contest), form(contest, upload_id), **JSON).status_code == status

    def test_a_form_that_comes_twice_gets_the_same_receipt(
        self, browser: Client, contest: Contest, send_ahead: SendAhead
    ) -> None:
        """The first answer was lost on its way, so the script asks again."""
        filled = form(contest, send_ahead())
        first, second = (browser.post(address(contest), filled, **JSON) for _ in range(2))
        assert (first.status_code, second.status_code) == (201, 201)
        assert first.json() == second.json()
        assert Entry.objects.count() == 1

    def test_after_changed_rules_the_file_need_not_be_sent_again(
        self, browser: Client, contest: Contest, send_ahead: SendAhead
    ) -> None:
        filled, before = form(contest, send_ahead()), kept_files()
        Contest.objects.filter(pk=contest.pk).update(rules_version=2)
        response = browser.post(address(contest), filled, **JSON)
        assert response.status_code == 422
        assert "changed to version 2" in response.json()["message"]
        assert kept_files() == before
        assert browser.post(address(contest), filled | {"rules_version": 2}, **JSON).status_code == 201

    def test_a_bad_file_leaves_the_earlier_entry_and_keeps_nothing(
        self, browser: Client, contest: Contest, send: Send, send_ahead: SendAhead
    ) -> None:
        earlier = send()
        check(earlier)
        before = kept_files()
        response = browser.post(address(contest), form(contest, send_ahead(file_bytes()[:9_000])), **JSON)
        assert response.status_code == 422
        assert "the file ends after 9,000" in response.json()["message"]
        earlier.refresh_from_db()
        assert earlier.state == "ready"
        assert (kept_files(), Recording.objects.filter(owner=earlier.member).count()) == (before, 1)
        assert not Upload.objects.exists()

    def test_one_that_is_not_whole_is_not_taken(
        self, browser: Client, contest: Contest, send_ahead: SendAhead
    ) -> None:
        response = browser.post(address(contest), form(contest, send_ahead(parts=1)), **JSON)
        assert response.status_code == 422
        assert "has not arrived whole" in response.json()["message"]

    def test_nobody_enters_anothers_upload(
        self, browser: Client, stranger: Client, contest: Contest, send_ahead: SendAhead
    ) -> None:
        upload_id = send_ahead(by=stranger)
        response = browser.post(address(contest), form(contest, upload_id), **JSON)
        assert response.status_code == 422
        assert "no such upload of yours" in response.json()["message"]
        assert Upload.objects.count() == 1

    def test_nobody_learns_of_anothers_entry(
        self, browser: Client, stranger: Client, contest: Contest, send_ahead: SendAhead
    ) -> None:
        filled = form(contest, send_ahead(by=stranger))
        assert stranger.post(address(contest), filled, **JSON).status_code == 201
        assert browser.post(address(contest), filled, **JSON).status_code == 422

    @pytest.mark.parametrize("upload_id", ["", "1", "../../etc/passwd"])
    def test_what_is_no_upload_is_refused_in_words(
        self, browser: Client, contest: Contest, upload_id: str
    ) -> None:
        response = browser.post(address(contest), form(contest, upload_id), **JSON)
        assert response.status_code == 422
        assert response.json()["message"]
        assert not Entry.objects.exists()
