"""The upload page, with and without script."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.core.files.uploadhandler import TemporaryFileUploadHandler
from django.test import Client
from django.urls import reverse

from academy.members.models import Member
from analysis.intake.models import Recording
from contests.models import Contest, Entry
from contests.states import ContestState
from tests import cast
from tests.clock import Clock
from tests.contests.entering.conftest import Send, check, file_bytes, form_of, kept_files

JSON = {"HTTP_ACCEPT": "application/json"}


def address(contest: Contest) -> str:
    return reverse("contests:enter", args=[contest.slug])


class TestEnter:
    def test_it_asks_for_rules_file_and_note(self, browser: Client, contest: Contest) -> None:
        page = browser.get(address(contest)).content.decode()
        assert 'enctype="multipart/form-data"' in page
        assert "version 1" in page
        assert "1.0\N{NO-BREAK SPACE}GiB" in page  # the most that is taken
        assert page.index('name="csrfmiddlewaretoken"') < page.index('name="file"')
        assert "<script>" not in page
        assert " style=" not in page

    def test_it_takes_a_plain_form(
        self, browser: Client, contest: Contest, entrant: Member, clock: Clock
    ) -> None:
        response = browser.post(address(contest), form_of(contest, note="Thank you."))
        entry = Entry.objects.get()
        assert response.status_code == 302
        assert response["Location"] == reverse("contests:entry", args=[entry.receipt])
        assert (entry.member, entry.received_at, entry.rules_version) == (entrant, clock.now, 1)
        assert (entry.recording.original_name, entry.note_to_judges) == ("mix.wav", "Thank you.")

    def test_it_answers_a_script_in_json(self, browser: Client, contest: Contest) -> None:
        response = browser.post(address(contest), form_of(contest), **JSON)
        entry = Entry.objects.get()
        assert response.status_code == 201
        assert response.json() == {
            "receipt": entry.receipt,
            "next": reverse("contests:entry", args=[entry.receipt]),
        }

    def test_it_refuses_without_the_rules(self, browser: Client, contest: Contest) -> None:
        form = form_of(contest)
        del form["accepts_rules"]
        response = browser.post(address(contest), form)
        assert response.status_code == 422
        assert "Read the rules and accept them" in response.content.decode()
        assert not Entry.objects.exists()

    def test_it_refuses_rules_that_were_changed_meanwhile(self, browser: Client, contest: Contest) -> None:
        form = form_of(contest)
        Contest.objects.filter(pk=contest.pk).update(rules_version=2)
        response = browser.post(address(contest), form, **JSON)
        assert response.status_code == 422
        assert "changed to version 2" in response.json()["message"]

    @pytest.mark.parametrize(
        ("blob", "sentence"),
        [
            (b"", "The file is empty"),
            (b"ID3\x04" + bytes(400), "WAV or FLAC is wanted"),
            (file_bytes()[:9_000], "the file ends after 9,000"),
        ],
    )
    def test_a_bad_file_leaves_the_earlier_entry_and_keeps_nothing(
        self, browser: Client, contest: Contest, send: Send, blob: bytes, sentence: str
    ) -> None:
        earlier = send()
        check(earlier)
        before, recordings = kept_files(), Recording.objects.count()
        for extra in ({}, JSON):
            response = browser.post(address(contest), form_of(contest, blob), **extra)
            assert response.status_code == 422
            assert sentence in response.content.decode()
            assert "Traceback" not in response.content.decode()
        earlier.refresh_from_db()
        assert earlier.state == "ready"
        assert list(Entry.objects.all()) == [earlier]
        assert kept_files() == before
        assert Recording.objects.count() == recordings

    def test_it_refuses_a_file_larger_than_the_site_takes(
        self, browser: Client, contest: Contest, settings: Any
    ) -> None:
        settings.LARGEST_UPLOAD_BYTES = 100_000
        response = browser.post(address(contest), form_of(contest), **JSON)
        assert response.status_code == 422
        assert "larger than" in response.json()["message"]

    def test_it_says_which_file_is_missing(self, browser: Client, contest: Contest) -> None:
        form = form_of(contest)
        del form["file"]
        response = browser.post(address(contest), form, **JSON)
        assert response.json()["message"] == "Choose the file of your mix; none arrived."

    def test_it_shows_a_sentence_instead_of_the_form_when_it_is_too_late(
        self, browser: Client, contest: Contest, clock: Clock
    ) -> None:
        clock.now = contest.closes_at
        page = browser.get(address(contest)).content.decode()
        assert "not taking entries any more" in page
        assert 'name="file"' not in page

    def test_one_second_before_the_close_is_in_time(
        self, browser: Client, contest: Contest, clock: Clock
    ) -> None:
        clock.now = contest.closes_at - timedelta(seconds=1)
        assert browser.post(address(contest), form_of(contest)).status_code == 302

    def test_the_last_byte_decides_not_the_first(
        self, browser: Client, contest: Contest, clock: Clock, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The request begins a minute before the close; while its body comes in, the close passes."""
        clock.now = contest.closes_at - timedelta(minutes=1)
        read = slow_reading(clock, until=contest.closes_at)
        monkeypatch.setattr(
            "django.core.files.uploadhandler.TemporaryFileUploadHandler.receive_data_chunk", read
        )
        before = kept_files()
        response = browser.post(address(contest), form_of(contest), **JSON)
        assert response.status_code == 422
        assert "not taking entries any more" in response.json()["message"]
        assert not Entry.objects.exists()
        assert kept_files() == before

    def test_it_refuses_a_second_upload_while_one_is_checked(
        self, browser: Client, contest: Contest, send: Send
    ) -> None:
        entry = send()
        page = browser.get(address(contest)).content.decode()
        assert "being checked at this moment" in page
        assert entry.receipt in page
        assert browser.post(address(contest), form_of(contest)).status_code == 422
        assert Entry.objects.count() == 1

    def test_it_says_that_the_earlier_entry_stands(
        self, browser: Client, contest: Contest, send: Send
    ) -> None:
        check(send())
        assert (
            "It stands until the new file has been found ready"
            in browser.get(address(contest)).content.decode()
        )

    def test_nobody_is_asked_to_sign_in_first(self, client: Client, contest: Contest) -> None:
        for response in (client.get(address(contest)), client.post(address(contest), form_of(contest))):
            assert response.status_code == 302
            assert response["Location"].startswith(reverse("members:sign_in"))
        assert not Entry.objects.exists()

    def test_the_wrong_tier_is_refused(self, browser: Client, contest: Contest) -> None:
        contest.tier = cast.tier()
        contest.save()
        response = browser.post(address(contest), form_of(contest), **JSON)
        assert response.status_code == 422
        assert "tier “Full”" in response.json()["message"]

    def test_a_draft_is_not_there(self, browser: Client, contest: Contest) -> None:
        Contest.objects.filter(pk=contest.pk).update(state=ContestState.DRAFT)
        assert browser.get(address(contest)).status_code == 404
        assert browser.post(address(contest), form_of(contest)).status_code == 404

    @pytest.mark.parametrize("method", ["put", "patch", "delete"])
    def test_other_methods_are_not_allowed(self, browser: Client, contest: Contest, method: str) -> None:
        assert getattr(browser, method)(address(contest)).status_code == 405

    def test_it_wants_the_forms_own_token(self, contest: Contest, entrant: Member, clock: Clock) -> None:
        client = Client(enforce_csrf_checks=True)
        client.force_login(entrant)
        assert client.post(address(contest), form_of(contest)).status_code == 403
        token = client.get(address(contest)).context["csrf_token"]
        response = client.post(address(contest), form_of(contest, csrfmiddlewaretoken=str(token)))
        assert response.status_code == 302


def slow_reading(clock: Clock, *, until: Any) -> Any:
    """The upload handler's own reading, during which the clock goes on."""
    read = TemporaryFileUploadHandler.receive_data_chunk

    def slowly(self: TemporaryFileUploadHandler, raw_data: bytes, start: int) -> bytes | None:
        clock.now = until
        return read(self, raw_data, start)

    return slowly
