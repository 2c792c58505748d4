"""The public pages: the list of contests and a contest's own page."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from academy.members.models import Member
from contests import queries
from contests.models import Contest, Prize, Sponsor
from contests.states import ContestState, EntryState
from tests import cast
from tests.clock import Clock
from tests.contests.entering.conftest import Send, check


def address(contest: Contest) -> str:
    return reverse("contests:contest", args=[contest.slug])


def words(client: Client, url: str) -> str:
    """The page's text with ordinary spaces."""
    response = client.get(url)
    assert response.status_code == 200
    return " ".join(response.content.decode().replace("\N{NO-BREAK SPACE}", " ").split())


@pytest.fixture
def host_browser(clock: Clock, db: None) -> Client:
    """A host, signed in."""
    client = Client()
    client.force_login(cast.host())
    return client


class TestContestList:
    url = "/contests/"

    def test_it_shows_open_contests_first_the_next_to_close_on_top(
        self, client: Client, clock: Clock, db: None
    ) -> None:
        day = timedelta(days=1)
        names = {
            "Later": {"closes_at": cast.NOW + 5 * day},
            "Past": {"opens_at": cast.NOW - 9 * day, "closes_at": cast.NOW - 2 * day},
            "Soon": {"closes_at": cast.NOW + 1 * day},
            "Coming": {"opens_at": cast.NOW + 2 * day, "closes_at": cast.NOW + 9 * day},
        }
        for title, dates in names.items():
            cast.contest(title=title, **dates)
        listed = client.get(self.url).context["listed"]
        assert [line.contest.title for line in listed] == ["Soon", "Later", "Coming", "Past"]
        assert [line.stage for line in listed] == [
            "open for entries",
            "open for entries",
            "not open yet",
            "entries closed",
        ]

    def test_it_keeps_drafts_from_all_but_hosts(
        self, client: Client, browser: Client, host_browser: Client
    ) -> None:
        cast.contest(title="Still in the drawer", state=ContestState.DRAFT)
        assert "Still in the drawer" not in words(client, self.url)
        assert "Still in the drawer" not in words(browser, self.url)
        assert "Still in the drawer" in words(host_browser, self.url)
        assert "For every member. Opens" in words(host_browser, self.url)

    def test_it_says_what_to_do_when_there_is_none(self, client: Client, clock: Clock, db: None) -> None:
        assert "No contest has been announced yet" in words(client, self.url)

    def test_it_takes_no_post(self, client: Client, db: None) -> None:
        assert client.post(self.url).status_code == 405

    def test_its_queries_do_not_grow(self, browser: Client, contest: Contest) -> None:
        few = count_queries(browser, self.url)
        for _ in range(4):
            cast.contest(tier=cast.tier())
        assert count_queries(browser, self.url) == few


class TestContestPage:
    def test_a_fine_tolerance_is_said_as_it_is_checked(
        self, client: Client, clock: Clock, contest: Contest
    ) -> None:
        contest.spec_length_tolerance_s = 0.25
        contest.save()
        assert "within 0.25 s" in words(client, address(contest))

    def test_it_shows_all_that_an_entrant_needs(self, client: Client, clock: Clock, contest: Contest) -> None:
        cast.judge(contest)
        cast.judge(contest, "Pia Storr")
        contest.brief, contest.rules, contest.rules_version = "Make it *breathe*.", "# One\n\nNo samples.", 3
        contest.save()
        text = words(client, address(contest))
        assert "Make it <em>breathe</em>." in text
        assert "version 3" in text
        assert "No samples." in text
        # NOW is a day in winter time; a day later the close is Saturday noon.
        assert "Sat 15 Mar 2031, 12:00 (UTC, Europe/Lisbon)" in text
        assert "48 kHz" in text
        assert "24 bit" in text
        assert "−1.0 dBTP or less" in text
        assert "−18.0 LUFS" in text
        assert "2 judges" in text
        assert "2 for each entry" in text
        assert "60.0%" in text
        assert "Gain only" in text
        assert contest.pack.title in text
        assert "Ruy Halden" not in text  # the panel's size, not its names

    def test_it_shows_the_contests_own_offset(self, client: Client, clock: Clock, contest: Contest) -> None:
        contest.zone = "Asia/Kathmandu"  # UTC+05:45 all year, IANA time zone database
        contest.save()
        assert "Sat 15 Mar 2031, 17:45 (UTC+05:45, Asia/Kathmandu)" in words(client, address(contest))

    def test_it_adds_up_prizes_by_currency(self, client: Client, clock: Clock, contest: Contest) -> None:
        sponsor = Sponsor.objects.create(contest=contest, name="Harbour Reverbs", about="They make rooms.")
        for place, value, currency in [(1, "300.00", "EUR"), (2, "150.50", "EUR"), (3, "20000", "JPY")]:
            Prize.objects.create(
                contest=contest, sponsor=sponsor, place=place, title="Voucher", value=value, currency=currency
            )
        Prize.objects.create(contest=contest, special="Boldest mix", title="A lesson")
        text = words(client, address(contest))
        assert "Worth together: EUR 450.50 and JPY 20,000." in text  # yen have no minor unit, ISO 4217
        assert "Harbour Reverbs" in text
        assert "Boldest mix" in text

    def test_it_cleans_what_a_host_wrote(self, client: Client, clock: Clock, contest: Contest) -> None:
        contest.brief = "<script>alert(1)</script> fine"
        contest.save()
        page = client.get(address(contest)).content.decode()
        assert "alert(1)" not in page
        assert " style=" not in page

    def test_it_invites_nobody_in_particular_to_sign_in(
        self, client: Client, clock: Clock, contest: Contest
    ) -> None:
        assert "Sign in to enter" in words(client, address(contest))

    def test_it_invites_a_member_to_enter(self, browser: Client, contest: Contest) -> None:
        assert "Enter this contest" in words(browser, address(contest))

    def test_it_tells_which_tier_opens_it(self, browser: Client, contest: Contest) -> None:
        contest.tier = cast.tier("studio", 50)
        contest.save()
        text = words(browser, address(contest))
        assert "members of the tier “Studio” and above" in text
        assert "Enter this contest" not in text

    def test_it_shows_the_entrant_the_own_entry_and_nobody_else(
        self, browser: Client, stranger: Client, send: Send, contest: Contest
    ) -> None:
        entry = send()
        assert entry.receipt in words(browser, address(contest))
        check(entry)
        assert "Replace your entry" in words(browser, address(contest))
        assert entry.receipt not in words(stranger, address(contest))

    def test_it_closes_by_the_clock_although_the_state_is_still_open(
        self, browser: Client, clock: Clock, contest: Contest
    ) -> None:
        clock.now = contest.closes_at
        text = words(browser, address(contest))
        assert "entries closed" in text
        assert "Enter this contest" not in text

    def test_a_draft_is_not_there_for_anybody_but_a_host(
        self, client: Client, browser: Client, host_browser: Client, contest: Contest
    ) -> None:
        Contest.objects.filter(pk=contest.pk).update(state=ContestState.DRAFT)
        assert client.get(address(contest)).status_code == 404
        assert browser.get(address(contest)).status_code == 404
        assert "draft" in words(host_browser, address(contest))

    def test_an_unknown_one_is_not_there(self, client: Client, db: None) -> None:
        assert client.get("/contests/no-such-contest/").status_code == 404

    def test_it_takes_no_post(self, client: Client, contest: Contest) -> None:
        assert client.post(address(contest)).status_code == 405

    def test_its_queries_do_not_grow(self, browser: Client, contest: Contest, send: Send) -> None:
        check(send())
        few = count_queries(browser, address(contest))
        sponsor = Sponsor.objects.create(contest=contest, name="Harbour Reverbs")
        for place in range(1, 5):
            Prize.objects.create(contest=contest, sponsor=sponsor, place=place, title="Voucher")
            cast.judge(contest, f"Judge {place}")
            cast.criterion(contest, f"Part {place}", position=10 + place)
        assert count_queries(browser, address(contest)) == few


class TestStageOf:
    @pytest.mark.parametrize(
        ("state", "stage"),
        [
            (ContestState.CLOSED, "entries closed"),
            (ContestState.JUDGING, "being judged"),
            (ContestState.DECIDED, "result to be announced"),
            (ContestState.PUBLISHED, "result published"),
        ],
    )
    def test_it_follows_the_state_after_the_close(
        self, contest: Contest, state: ContestState, stage: str
    ) -> None:
        contest.state = state
        assert queries.stage_of(contest, cast.NOW) == stage


class TestRubricOf:
    def test_its_shares_add_up_to_one(self, contest: Contest) -> None:
        cast.criterion(contest, "Width", position=3, weight=50)
        shares = [line.share for line in queries.rubric_of(contest)]
        assert shares[0] == Decimal(60) / 150
        assert sum(shares) == pytest.approx(1)


def count_queries(client: Client, url: str) -> int:
    """How often the database is asked for one page."""
    with CaptureQueriesContext(connection) as captured:
        assert client.get(url).status_code == 200
    return len(captured)


def test_states_are_shown_as_words(entrant: Member, send: Send) -> None:
    entry = send()
    check(entry)
    entry.move_to(EntryState.WITHDRAWN)
    assert [step.became for step in queries.history_of(entry.contest, entrant)] == [
        "being checked",
        "ready",
        "withdrawn",
    ]
