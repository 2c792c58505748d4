"""The entrant's own pages: state, receipt, file, withdrawal, the list."""

from __future__ import annotations

import hashlib

import pytest
from django.test import Client
from django.urls import reverse

from analysis.jobs.models import Job, JobState
from contests.models import Contest, Entry
from contests.states import EntryState
from tests import cast
from tests.clock import Clock
from tests.contests.entering.conftest import Send, check, file_bytes

OWN_PAGES = ["entry", "entry_status", "entry_receipt", "entry_file", "withdraw"]


def address(name: str, entry: Entry) -> str:
    return reverse(f"contests:{name}", args=[entry.receipt])


@pytest.mark.parametrize("name", OWN_PAGES)
class TestWhoMaySee:
    def test_the_entrant_may(self, browser: Client, send: Send, name: str) -> None:
        assert browser.get(address(name, send())).status_code == 200

    def test_others_find_nothing(self, stranger: Client, send: Send, name: str) -> None:
        entry = send()
        assert stranger.get(address(name, entry)).status_code == 404
        assert stranger.post(address(name, entry)).status_code in {404, 405}
        entry.refresh_from_db()
        assert entry.state == "checking"

    def test_a_judge_of_the_contest_finds_nothing(self, send: Send, contest: Contest, name: str) -> None:
        client = Client()
        client.force_login(cast.judge(contest).member)
        assert client.get(address(name, send())).status_code == 404

    def test_nobody_is_asked_to_sign_in(self, client: Client, send: Send, name: str) -> None:
        response = client.get(address(name, send()))
        assert response.status_code == 302
        assert response["Location"].startswith(reverse("members:sign_in"))

    def test_an_unknown_reference_finds_nothing(self, browser: Client, name: str) -> None:
        assert browser.get(reverse(f"contests:{name}", args=["2222-2222-2222"])).status_code == 404

    def test_the_wrong_method_is_refused(self, browser: Client, send: Send, name: str) -> None:
        assert browser.put(address(name, send())).status_code == 405


class TestEntryPage:
    def test_it_goes_on_asking_until_the_check_is_done(self, browser: Client, send: Send) -> None:
        entry = send()
        page = browser.get(address("entry", entry)).content.decode()
        assert f'data-live="{address("entry_status", entry)}"' in page
        assert "data-live-done" not in page
        check(entry)
        fragment = browser.get(address("entry_status", entry)).content.decode()
        assert "data-live-done" in fragment
        assert "<html" not in fragment

    def test_it_shows_what_the_meter_says(self, browser: Client, send: Send) -> None:
        entry = send()  # 997 Hz at 0.1 of full scale
        check(entry)
        page = browser.get(address("entry", entry)).content.decode().replace("\N{NO-BREAK SPACE}", " ")
        # EBU Tech 3341, case 1: a stereo sine of that frequency reads its peak level in dBFS, here −20.
        assert "−20.0 LUFS" in page
        assert "−20.0 dBTP" in page

    def test_it_shows_the_findings(self, browser: Client, send: Send) -> None:
        entry = send(file_bytes(cast.tone(seconds=2.0)))
        check(entry)
        page = browser.get(address("entry", entry)).content.decode()
        assert "needs attention" in page
        assert "longer than the reference mix" in page

    def test_it_shows_the_receipt(self, browser: Client, send: Send) -> None:
        blob = file_bytes()
        entry = send(blob)
        page = browser.get(address("entry", entry)).content.decode()
        assert entry.receipt in page
        assert hashlib.sha256(blob).hexdigest() in page
        assert f"({len(blob)} bytes)" in page
        assert "Fri 14 Mar 2031, 12:00 (UTC, Europe/Lisbon)" in page

    def test_it_says_so_when_the_check_was_given_up(self, browser: Client, send: Send) -> None:
        entry = send()
        Job.objects.update(state=JobState.FAILED)
        fragment = browser.get(address("entry_status", entry)).content.decode()
        assert "our fault" in fragment
        assert "data-live-done" in fragment

    def test_a_silent_file_has_no_loudness(self, browser: Client, send: Send) -> None:
        entry = send(file_bytes(0.0 * cast.tone()))
        check(entry)
        assert "silence" in browser.get(address("entry", entry)).content.decode()

    def test_names_are_written_as_text(self, browser: Client, send: Send) -> None:
        entry = send()
        entry.recording.original_name = "<b>bold</b>.wav"
        entry.recording.save()
        assert "<b>bold" not in browser.get(address("entry", entry)).content.decode()

    @pytest.mark.parametrize("state", [state.value for state in EntryState])
    def test_every_state_has_a_page(self, browser: Client, send: Send, state: str) -> None:
        entry = send()
        Entry.objects.filter(pk=entry.pk).update(state=state)
        response = browser.get(address("entry", entry))
        assert EntryState(state).label in response.content.decode()
        assert response["Cache-Control"].startswith("max-age=0")


class TestReceipt:
    def test_it_is_plain_text_to_keep(self, browser: Client, send: Send) -> None:
        entry = send()
        response = browser.get(address("entry_receipt", entry))
        assert response["Content-Type"] == "text/plain; charset=utf-8"
        assert response["Content-Disposition"] == f'attachment; filename="receipt-{entry.receipt}.txt"'
        assert entry.recording.sha256 in response.content.decode()


class TestFile:
    def test_it_gives_back_every_byte(self, browser: Client, send: Send) -> None:
        blob = file_bytes()
        response = browser.get(address("entry_file", send(blob)))
        assert b"".join(response) == blob
        assert 'filename="mix.wav"' in response["Content-Disposition"]

    def test_it_gives_a_range(self, browser: Client, send: Send) -> None:
        blob = file_bytes()
        response = browser.get(address("entry_file", send(blob)), HTTP_RANGE="bytes=10-19")
        assert (response.status_code, b"".join(response)) == (206, blob[10:20])


class TestWithdraw:
    def test_it_says_first_what_is_lost(self, browser: Client, send: Send) -> None:
        entry = send()
        page = browser.get(address("withdraw", entry)).content.decode()
        assert "will not be heard, scored or commented on" in page
        assert "You then have no entry" in page
        entry.refresh_from_db()
        assert entry.state == "checking"

    def test_it_says_what_stays(self, browser: Client, send: Send) -> None:
        first = send()
        check(first)
        second = send()
        page = browser.get(address("withdraw", second)).content.decode()
        assert f"Your entry {first.receipt} stays as it is" in page

    def test_it_does_so_on_a_post(self, browser: Client, send: Send) -> None:
        entry = send()
        check(entry)
        response = browser.post(address("withdraw", entry), follow=True)
        entry.refresh_from_db()
        assert entry.state == "withdrawn"
        assert "is withdrawn from" in response.content.decode()

    def test_it_refuses_after_the_close(
        self, browser: Client, send: Send, clock: Clock, contest: Contest
    ) -> None:
        entry = send()
        check(entry)
        clock.now = contest.closes_at
        response = browser.post(address("withdraw", entry))
        assert response.status_code == 422
        assert "frozen" in response.content.decode()
        entry.refresh_from_db()
        assert entry.state == "ready"


class TestMyEntries:
    url = "/contests/entries/"

    def test_it_lists_the_own_ones_only(self, browser: Client, stranger: Client, send: Send) -> None:
        entry = send()
        assert entry.receipt in browser.get(self.url).content.decode()
        page = stranger.get(self.url).content.decode()
        assert entry.receipt not in page
        assert "You have not entered a contest yet" in page

    def test_nobody_is_asked_to_sign_in(self, client: Client, db: None) -> None:
        assert client.get(self.url).status_code == 302

    def test_it_takes_no_post(self, browser: Client) -> None:
        assert browser.post(self.url).status_code == 405
