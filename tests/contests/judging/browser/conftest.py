"""A judge at the desk in a real browser, with a small real round."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import Browser, Page, Request
from pytest_django.live_server_helper import LiveServer

from contests.models import Assignment, Round
from tests import cast
from tests.browser.person import sign_in
from tests.contests.judging.conftest import entry, music, prepare


@pytest.fixture
def round_(transactional_db: None) -> Round:
    """A round that is due in a week, with three mixes of four seconds for each of two judges."""
    now = timezone.now()
    contest = cast.contest(
        title="Harbour lights",
        state="judging",
        opens_at=now - timedelta(days=20),
        closes_at=now - timedelta(days=2),
        judging_until=now + timedelta(days=7),
        announced_at=now + timedelta(days=9),
    )
    for name in ("Ruy Halden", "Ilse Vanner"):
        cast.judge(contest, name)
    for number, name in enumerate(("Ansa Merrow", "Bero Lund", "Cato Wick")):
        member = cast.member(name)
        recording = cast.recording(owner=member, audio=music(number, seconds=4.0))
        entry(contest, member, recording=recording)
    return prepare(contest)


@pytest.fixture
def hearings(round_: Round) -> list[Assignment]:
    """The first judge's hearings in order."""
    judge = round_.contest.judges.order_by("pk").first()
    return list(round_.assignments.filter(judge=judge).order_by("position"))


@pytest.fixture
def desk(
    page: Page,
    live_server: LiveServer,
    round_: Round,
    hearings: list[Assignment],
) -> Iterator[Page]:
    """The first judge at the desk, with the booth opened."""
    watch(page)
    sign_in(page, hearings[0].judge.member, live_server.url)
    page.goto(live_server.url + reverse("contests:desk", args=[round_.contest.slug, 1]))
    page.click("[data-booth-ready]")
    yield page
    # A booth that plays tells of it again and again: from here on nothing new reaches the server.
    asked = set(page.under_way)  # type: ignore[attr-defined]
    page.route("**/*", lambda _: None)
    settle(page, asked)


def watch(browser: Page) -> None:
    """Keep what the page has asked of the server and not been answered yet."""
    under_way: set[Request] = set()
    browser.on("request", lambda request: under_way.add(request))
    browser.on("requestfinished", lambda request: under_way.discard(request))
    browser.on("requestfailed", lambda request: under_way.discard(request))
    browser.under_way = under_way  # type: ignore[attr-defined]


def settle(browser: Page, asked: set[Request] | None = None) -> None:
    """Wait until the server is done with what the page asked: with all of it, or with what is named.

    SQLite in memory locks tables, for readers too.

    Chromium says nothing of the end of a request that a new page cuts off, so the wait has an end.
    """
    for _ in range(20):
        browser.wait_for_timeout(100)
        under_way: set[Request] = browser.under_way  # type: ignore[attr-defined]
        if not (under_way if asked is None else under_way & asked):
            return


@pytest.fixture
def plain(
    chromium: Browser,
    live_server: LiveServer,
    hearings: list[Assignment],
) -> Iterator[Page]:
    """The same judge's browser without script."""
    context = chromium.new_context(java_script_enabled=False, viewport={"width": 1280, "height": 900})
    without_script = context.new_page()
    sign_in(without_script, hearings[0].judge.member, live_server.url)
    yield without_script
    context.close()
