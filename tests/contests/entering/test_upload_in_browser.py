"""The upload script in a real browser, against a real server."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from django.test import Client
from django.utils import timezone
from playwright.sync_api import Browser, Page, expect, sync_playwright

from analysis.jobs import running
from analysis.jobs.models import Job
from contests.models import Contest, Entry
from tests import cast
from tests.browser.conftest import CHROMIUM_FLAGS, page  # noqa: F401  a fixture
from tests.conftest import path_of
from tests.contests.entering.conftest import file_bytes

pytestmark = [pytest.mark.needs("chromium"), pytest.mark.django_db(transaction=True)]


@pytest.fixture(scope="module")
def chromium(django_db_setup: None) -> Iterator[Browser]:
    """A browser of this file's own, gone when it ends.

    Its driver leaves an event loop running in this thread, which Django takes for a mistake in whatever asks
    the database; so the permission lasts as long as the browser, and no longer.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "1")
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=path_of("chromium"), args=CHROMIUM_FLAGS)
            yield browser
            browser.close()


@pytest.fixture
def upload_page(
    page: Page,  # noqa: F811
    live_server: object,
    monkeypatch: pytest.MonkeyPatch,
) -> Page:
    """The upload page of an open contest, the entrant signed in."""
    monkeypatch.setattr("analysis.jobs.doorbell.ring", lambda _: True)
    contest = open_contest()
    client = Client()
    client.force_login(cast.member())
    cookie = {"name": "session", "value": client.cookies["session"].value, "url": str(live_server)}
    page.context.add_cookies([cookie])  # type: ignore[list-item]
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
    """Fill in the form and send it."""
    path.write_bytes(blob)
    upload_page.set_input_files("input[type=file]", path)
    upload_page.check("input[name=accepts_rules]")
    upload_page.get_by_role("button", name="Upload and enter").click()


class TestUpload:
    def test_it_leads_to_the_entry_whose_page_shows_the_outcome_by_itself(
        self, upload_page: Page, tmp_path: Path
    ) -> None:
        choose(upload_page, tmp_path / "mix.wav", file_bytes())
        upload_page.wait_for_url("**/contests/entries/*/")
        expect(upload_page.locator("[data-live]")).to_contain_text("being checked")
        assert running.run(Job.objects.get().pk)
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
        expect(upload_page.locator("[data-upload-refusal]")).to_contain_text("The line broke")
        upload_page.faults.clear()  # type: ignore[attr-defined]  # the browser notes the broken line

    def test_leaving_while_a_file_is_under_way_asks_first(self, upload_page: Page, tmp_path: Path) -> None:
        upload_page.route("**/enter/", lambda route: None)  # it never comes to an end
        choose(upload_page, tmp_path / "mix.wav", file_bytes())
        expect(upload_page.get_by_role("button", name="Stop the upload")).to_be_visible()
        with upload_page.expect_event("dialog") as asked:
            upload_page.close(run_before_unload=True)
        assert asked.value.type == "beforeunload"
        asked.value.dismiss()
