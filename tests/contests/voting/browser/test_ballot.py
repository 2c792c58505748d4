"""A ballot in a real browser: heard, ordered by keyboard while it plays, sealed; and without script."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import Browser, Page, expect
from pytest_django.live_server_helper import LiveServer

from contests.models import Ballot, Vote
from contests.voting import ballots, running
from tests import cast
from tests.browser.axe import violations
from tests.browser.person import sign_in
from tests.contests import stages
from tests.contests.judging.browser.conftest import settle, watch
from tests.contests.voting import staging

pytestmark = [pytest.mark.needs("chromium"), pytest.mark.django_db(transaction=True)]


@pytest.fixture(autouse=True)
def clock() -> None:
    """The real clock: a browser has no other."""


@pytest.fixture
def vote(transactional_db: None) -> Vote:
    """A vote that opened an hour ago, with six mixes of five seconds."""
    now = timezone.now()
    stage = stages.Stage(
        cast.contest(
            title="Harbour lights",
            state="closed",
            pack=cast.pack(reference_mix=cast.recording(audio=stages.music(0, seconds=5.0))),
            opens_at=now - timedelta(days=20),
            closes_at=now - timedelta(days=2),
            judging_until=now + timedelta(days=7),
            announced_at=now + timedelta(days=9),
        ),
        cast.host(),
    )
    for number, name in enumerate(staging.ENTRANTS[:6]):
        audio = stages.music(number, level=0.03, seconds=5.0)
        stages.entry(stage.contest, cast.member(name), audio=audio)
    staging.laid_out(stage, opens_at=now - timedelta(hours=1), closes_at=now + timedelta(days=2))
    vote = running.prepare_vote(stage.contest.pk, actor=stage.host, now=now)
    stages.run_all_jobs()
    return vote


@pytest.fixture
def ballot(vote: Vote) -> Ballot:
    """A ballot that was drawn a while ago, so that there has been time to listen."""
    member = staging.voter(joined_at=timezone.now() - timedelta(days=60))
    return ballots.open_ballot(vote.pk, member, now=timezone.now() - timedelta(minutes=20))


@pytest.fixture
def voting(page: Page, live_server: LiveServer, ballot: Ballot) -> Iterator[Page]:
    """The voter at the ballot, with the booth opened."""
    watch(page)
    sign_in(page, ballot.member, live_server.url)
    page.goto(live_server.url + reverse("contests:vote", args=[ballot.vote.contest.slug]))
    page.click("[data-booth-ready]")
    yield page
    settle(page)


def order_of(ballot: Ballot) -> str:
    """The letters placed so far, best first."""
    return "".join(line.label for line in ballots.placed(ballots.lines_of(ballot)))


def eventually(browser: Page, what: Callable[[], object]) -> None:
    """Wait until the server holds it."""
    for _ in range(50):
        if what():
            return
        browser.wait_for_timeout(100)
    raise AssertionError("it never came")


def place(browser: Page, label: str) -> None:
    """Place a mix and wait until the page shows it."""
    browser.get_by_role("button", name=f"Place mix {label} as").click()
    expect(browser.get_by_role("button", name=f"Take mix {label} out")).to_be_visible()


class TestOrdering:
    def test_the_keyboard_stays_with_the_mix_and_the_sound_goes_on(
        self, voting: Page, ballot: Ballot
    ) -> None:
        voting.click("[data-booth-do=play]")
        for label in "BDA":
            place(voting, label)
        voting.get_by_role("button", name="Mix A up").focus()
        voting.keyboard.press("Enter")
        expect(voting.locator("[data-ballot-words]")).to_have_text("Mix A is number 2.")
        expect(voting.get_by_role("button", name="Mix A up")).to_be_focused()
        voting.keyboard.press("Enter")
        expect(voting.locator("[data-ballot-words]")).to_have_text("Mix A is number 1.")
        assert order_of(ballot) == "ABD"
        expect(voting.locator("[data-booth-state]")).to_contain_text("Playing")

    def test_without_script_the_buttons_do_the_same(
        self, chromium: Browser, live_server: LiveServer, ballot: Ballot
    ) -> None:
        context = chromium.new_context(java_script_enabled=False)
        plain = context.new_page()
        sign_in(plain, ballot.member, live_server.url)
        plain.goto(live_server.url + reverse("contests:vote", args=[ballot.vote.contest.slug]))
        for name in ("Place mix C as number 1", "Place mix E as number 2", "Mix E up"):
            plain.get_by_role("button", name=name).click()
        expect(plain.get_by_role("button", name="Mix E up")).to_have_attribute("aria-disabled", "true")
        assert order_of(ballot) == "EC"
        context.close()


class TestHearing:
    def test_what_was_heard_lets_the_ballot_be_sealed(self, voting: Page, ballot: Ballot) -> None:
        for label in "ABCDE":
            place(voting, label)
        voting.get_by_role("button", name="Submit and seal").click()
        expect(voting.locator(".refusal")).to_contain_text("Heard for less than 1 s: mixes A, B, C, D and E")
        voting.faults.clear()  # type: ignore[attr-defined]  # Chromium logs the answer 422
        voting.click("[data-booth-ready]")
        voting.click("[data-booth-do=play]")
        for number in range(5):
            voting.locator("[data-booth-copies] button").nth(number).click()
            voting.click("[data-booth-do=back]")  # the mixes last five seconds
            line = voting.locator("[data-line-heard]").nth(number)
            expect(line).to_have_class("status good", timeout=15_000)
        voting.get_by_role("button", name="Submit and seal").click()
        expect(voting.get_by_text("Sealed on")).to_be_visible()
        ballot.refresh_from_db()
        assert ballot.submitted_at is not None
        eventually(voting, lambda: min(ballot.lines.values_list("heard_s", flat=True)) >= 1.0)


class TestLook:
    @pytest.mark.parametrize("width", [360, 1280])
    def test_no_barriers_and_no_wider_than_the_window(self, voting: Page, width: int) -> None:
        place(voting, "A")
        voting.set_viewport_size({"width": width, "height": 800})
        assert voting.evaluate("document.documentElement.scrollWidth") <= width
        assert violations(voting) == []
