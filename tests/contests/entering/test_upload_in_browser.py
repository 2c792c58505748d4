"""The upload script in a real browser, against a real server."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from django.utils import timezone
from playwright.sync_api import Page, Route, expect

from academy.members.models import Member
from analysis.intake.resumable import opening
from analysis.jobs import running
from analysis.jobs.models import Job
from contests.entering.checking import CHECK_ENTRY
from contests.models import Contest, Entry
from tests import cast
from tests.browser.person import sign_in
from tests.contests.entering.conftest import file_bytes

pytestmark = [pytest.mark.needs("chromium"), pytest.mark.django_db(transaction=True)]


@pytest.fixture
def upload_page(
    page: Page,
    live_server: object,
    monkeypatch: pytest.MonkeyPatch,
) -> Page:
    """The upload page of an open contest, the entrant signed in."""
    monkeypatch.setattr("analysis.jobs.doorbell.ring", lambda _: True)
    contest = open_contest()
    sign_in(page, cast.member(), str(live_server))
    page.goto(f"{live_server}/contests/{contest.slug}/enter/")
    return page


def open_contest() -> Contest:
    """Open by the real clock, which a server in a thread of its own goes by."""
    now = timezone.now()
    return cast.contest(
        opens_at=now - timedelta(days=1),
        closes_at=now + timedelta(days=1),
        judging_until=now + timedelta(days=2),
        announced_at=now + timedelta(days=3),
    )


def choose(upload_page: Page, path: Path, blob: bytes) -> None:
    """Fill in the form with a new file and send it."""
    path.write_bytes(blob)
    choose_again(upload_page, path)


def choose_again(upload_page: Page, path: Path) -> None:
    """Fill in the form with a file that is there, and send it."""
    upload_page.set_input_files("input[type=file]", path)
    upload_page.check("input[name=accepts_rules]")
    upload_page.get_by_role("button", name="Upload and enter").click()


def wait_for(upload_page: Page, holds: Callable[[], object]) -> None:
    """Let the browser go on until something holds; fail after half a minute."""
    for _ in range(600):
        if holds():
            return
        upload_page.wait_for_timeout(50)
    raise AssertionError("half a minute passed")


class TestUpload:
    def test_it_leads_to_the_entry_whose_page_shows_the_outcome_by_itself(
        self, upload_page: Page, tmp_path: Path
    ) -> None:
        choose(upload_page, tmp_path / "mix.wav", file_bytes())
        upload_page.wait_for_url("**/contests/entries/*/")
        expect(upload_page.locator("[data-live]")).to_contain_text("being checked")
        assert running.run(Job.objects.get(kind=CHECK_ENTRY).pk)
        expect(upload_page.locator("[data-live]")).to_contain_text("It stands as your entry", timeout=15_000)

    def test_it_shows_the_servers_sentence_in_place(self, upload_page: Page, tmp_path: Path) -> None:
        choose(upload_page, tmp_path / "mix.wav", b"OggS" + bytes(4_000))
        expect(upload_page.locator("[data-upload-refusal]")).to_contain_text("WAV or FLAC is wanted")
        assert not Entry.objects.exists()
        assert upload_page.get_by_role("button", name="Upload and enter").is_enabled()
        faults = upload_page.faults  # type: ignore[attr-defined]
        assert all("422" in fault for fault in faults)  # the browser itself notes the status, nothing else
        faults.clear()

    def test_it_sends_nothing_that_is_too_large(self, upload_page: Page, tmp_path: Path) -> None:
        upload_page.locator("form[data-upload]").evaluate("form => { form.dataset.largestBytes = '1000'; }")
        posts: list[str] = []
        upload_page.on(
            "request", lambda request: posts.append(request.url) if request.method == "POST" else None
        )
        choose(upload_page, tmp_path / "mix.wav", file_bytes())
        expect(upload_page.locator("[data-upload-refusal]")).to_contain_text("are taken")
        assert posts == []

    def test_a_broken_line_is_told_in_words(self, upload_page: Page, tmp_path: Path) -> None:
        upload_page.route(
            "**/enter/", lambda route: route.abort() if route.request.method == "POST" else route.continue_()
        )
        choose(upload_page, tmp_path / "mix.wav", file_bytes())
        expect(upload_page.locator("[data-upload-refusal]")).to_contain_text("The line broke", timeout=40_000)
        upload_page.faults.clear()  # type: ignore[attr-defined]  # the browser notes the broken line

    def test_a_broken_line_mends_itself(self, upload_page: Page, tmp_path: Path) -> None:
        """Twice the line goes down in the midst of the file."""
        broken = iter([True, True])
        upload_page.route(
            "**/uploads/*",
            lambda route: (
                route.abort("connectionreset")
                if route.request.method == "PATCH" and next(broken, False)
                else route.continue_()
            ),
        )
        choose(upload_page, tmp_path / "mix.wav", file_bytes())
        upload_page.wait_for_url("**/contests/entries/*/")
        assert Entry.objects.get().recording.size_bytes == len(file_bytes())
        assert next(broken, None) is None
        upload_page.faults.clear()  # type: ignore[attr-defined]  # the browser notes the broken line

    def test_the_same_file_goes_on_after_the_page_was_left(self, upload_page: Page, tmp_path: Path) -> None:
        """Stopped in the midst of the second part, then the page is opened anew."""
        blob = file_bytes(cast.tone(seconds=60.0))  # 17 MB: three parts
        offsets: list[int] = []
        held: list[Route] = []

        def hold_the_second(route: Route) -> None:
            if route.request.method == "PATCH":
                offsets.append(int(route.request.headers["upload-offset"]))
                if len(offsets) == 2:
                    held.append(route)  # it never comes to an end
                    return
            route.continue_()

        upload_page.route("**/uploads/*", hold_the_second)
        choose(upload_page, tmp_path / "mix.wav", blob)
        # The words alone come too early: the first part is sent before its answer is there.
        wait_for(upload_page, lambda: held)
        expect(upload_page.locator("[data-upload-words]")).to_contain_text("8.0 MiB of")
        upload_page.get_by_role("button", name="Stop the upload").click()
        expect(upload_page.locator("[data-upload-refusal]")).to_contain_text("What arrived is kept")
        upload_page.reload()
        choose_again(upload_page, tmp_path / "mix.wav")
        upload_page.wait_for_url("**/contests/entries/*/", timeout=60_000)
        assert offsets == [n * 8 * 1024**2 for n in (0, 1, 1, 2)]
        assert Entry.objects.get().recording.sha256 == hashlib.sha256(blob).hexdigest()

    def test_too_many_under_way_are_listed_to_throw_away(self, upload_page: Page, tmp_path: Path) -> None:
        now = timezone.now()
        member = Member.objects.get(email__startswith="ansa")
        for _ in range(3):
            opening.open_upload(owner=member, size_bytes=10, metadata="filename b2xkLndhdg==", now=now)
        choose(upload_page, tmp_path / "mix.wav", file_bytes())
        expect(upload_page.locator("[data-upload-refusal]")).to_contain_text("under way already")
        expect(upload_page.locator("[data-upload-others] li")).to_have_count(3)
        upload_page.get_by_role("button", name="Throw away old.wav").first.click()
        expect(upload_page.locator("[data-upload-others] li")).to_have_count(2)
        upload_page.get_by_role("button", name="Upload and enter").click()
        upload_page.wait_for_url("**/contests/entries/*/")
        upload_page.faults.clear()  # type: ignore[attr-defined]  # the browser notes the 429

    def test_leaving_asks_first_only_while_a_file_is_under_way(
        self, upload_page: Page, tmp_path: Path
    ) -> None:
        # Asked of the page itself: a browser that closes over its own question can take its driver along.
        may_leave = "() => window.dispatchEvent(new Event('beforeunload', {cancelable: true}))"
        held: list[Route] = []

        def hold(route: Route) -> None:
            held.append(route)

        upload_page.route("**/uploads/*", hold)
        assert upload_page.evaluate(may_leave) is True
        choose(upload_page, tmp_path / "mix.wav", file_bytes())
        wait_for(upload_page, lambda: held)
        assert upload_page.evaluate(may_leave) is False
        upload_page.get_by_role("button", name="Stop the upload").click()
        expect(upload_page.locator("[data-upload-refusal]")).to_contain_text("What arrived is kept")
        assert upload_page.evaluate(may_leave) is True
