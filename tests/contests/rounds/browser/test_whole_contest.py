"""A contest judged by a panel in a real browser, from the first sheet to an export that somebody altered."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import Browser, Page, expect
from pytest_django.live_server_helper import LiveServer

from academy.members.models import Member
from contests.hosting import running
from contests.models import Assignment
from contests.results.recounting import recount
from contests.states import HearingState
from tests.contests import stages
from tests.contests.judging.browser.conftest import settle, sign_in, watch
from tests.contests.rounds import staging
from tests.contests.stages import Stage

pytestmark = [pytest.mark.needs("chromium"), pytest.mark.django_db(transaction=True)]

JUDGES = ["Ruy Halden", "Signe Okafor", "Tavi Brandt", "Uma Leclair"]
WORTH = {"Ansa Merrow": 8.5, "Bero Lund": 7.5, "Ceri Vanterpool": 5.5, "Dov Halloran": 4.0}
SEVERE, STRICTER_BY = "Tavi Brandt", 2.0


@pytest.fixture
def stage(transactional_db: None) -> Stage:
    """Four entries, four judges, three hearings each, open to the judges until next week."""
    now = timezone.now()
    dates = {
        "opens_at": now - timedelta(days=20),
        "closes_at": now - timedelta(days=2),
        "judging_until": now + timedelta(days=7),
        "announced_at": now + timedelta(days=9),
    }
    found = stages.entered(judges=JUDGES, hearings_per_entry=3, title="Harbour lights", **dates)
    running.close_contest(found.contest.pk, actor=found.host, now=now)
    staging.lay_out_in(found.reread(), {})
    running.prepare_round(found.contest.pk, actor=found.host, now=now)
    stages.run_all_jobs()
    running.open_judging(found.contest.pk, actor=found.host, now=now)
    found.reread()
    return found


@pytest.fixture
def seats(chromium: Browser, live_server: LiveServer) -> Iterator[Seats]:
    """A browser for each person."""
    opened = Seats(chromium, live_server.url)
    yield opened
    for page in opened.pages:
        settle(page)
        page.context.close()


class Seats:
    """Browsers in which people are signed in."""

    def __init__(self, chromium: Browser, address: str) -> None:
        self.chromium, self.address = chromium, address
        self.pages: list[Page] = []

    def of(self, member: Member, path: str) -> Page:
        """A new browser of the member's at an address of the site."""
        page = self.chromium.new_context(viewport={"width": 1280, "height": 900}).new_page()
        self.pages.append(page)
        watch(page)
        sign_in(page, member, self.address)
        page.goto(self.address + path)
        return page


def desk(stage: Stage) -> str:
    return reverse("contests:desk", args=[stage.contest.slug, 1])


def hosted(stage: Stage, name: str = "hosted", *rest: object) -> str:
    return reverse(f"contests:{name}", args=[stage.contest.slug, *rest])


def score(page: Page, judge: Member, hearing: Assignment) -> None:
    """Write the scores of one sheet as this judge would, and submit it."""
    page.locator(f"[data-desk-open='{hearing.code}']").click()
    form = page.locator("[data-desk-sheet]:not([hidden]) form")
    value = WORTH[hearing.entry.member.name] - (STRICTER_BY if judge.name == SEVERE else 0.0)
    for field in form.locator("input[type=number]").all():
        field.fill(f"{value:g}")
    form.locator("[name=comment]").fill("The verse breathes.")
    form.get_by_role("button", name="Submit and seal").click()
    expect(form.locator("[data-sheet-state]")).to_contain_text("is submitted")
    settle(page)


def waiting(stage: Stage, judge: Member) -> list[Assignment]:
    own = stage.round.assignments.filter(judge__member=judge, state=HearingState.WAITING)
    return list(own.select_related("entry__member").order_by("position"))


class TestAWholeContest:
    def test_from_the_first_sheet_to_an_altered_export(
        self, stage: Stage, seats: Seats, tmp_path: Path
    ) -> None:
        people = {judge.member.name: judge.member for judge in stage.judges}
        leaver, recogniser = people["Ruy Halden"], people["Signe Okafor"]

        # One judge submits a sheet and drops out; the host lets the rest go to others.
        page = seats.of(leaver, desk(stage))
        score(page, leaver, waiting(stage, leaver)[0])
        seat = next(judge for judge in stage.judges if judge.member == leaver)
        host = seats.of(stage.host, hosted(stage, "host_judge", seat.pk))
        host.locator("form[action$='drop-out/'] [name=reason]").fill(
            "Lost her voice and her ears are ringing."
        )
        host.locator("form[action$='drop-out/'] button").click()
        expect(host.locator(".message")).to_contain_text("has left the round")
        settle(host)
        assert not waiting(stage, leaver)

        # One recognises a mix and stands aside, and scores the rest.
        page = seats.of(recogniser, desk(stage))
        left = waiting(stage, recogniser)[0]
        page.locator(f"[data-desk-open='{left.code}']").click()
        form = page.locator("[data-desk-sheet]:not([hidden]) form")
        form.get_by_text("I recognise this mix").click()
        form.get_by_role("button", name=f"Stand aside from mix {left.label}").click()
        expect(form.locator("[data-sheet-state]")).to_contain_text("You stood aside")
        settle(page)
        for hearing in waiting(stage, recogniser):
            score(page, recogniser, hearing)

        # The severe one and the fourth score theirs.
        for name in (SEVERE, "Uma Leclair"):
            page = seats.of(people[name], desk(stage))
            for hearing in waiting(stage, people[name]):
                score(page, people[name], hearing)

        # What nobody is left for is closed without, with the reason.
        host.goto(seats.address + hosted(stage))
        end = host.locator("form[action$='/do/end/']")
        if end.locator("[name=reason]").count():
            host.locator("details", has=end).locator("summary").click()
            end.locator("[name=reason]").fill("All judges who may hear it have.")
        end.locator("button").click()
        expect(host.locator(".message")).to_contain_text("closed")

        # The host's page explains every place: adjusted beside given, who is severe and by how much.
        host.goto(seats.address + hosted(stage, "standings"))
        rows = host.locator("table").first.locator("tbody tr")
        expect(rows).to_have_count(4)
        by_receipt = {entry.receipt: entry.member.name for entry in stage.entries}
        order = [by_receipt[text.strip()] for text in rows.locator("th").all_inner_texts()]
        assert order == sorted(WORTH, key=WORTH.__getitem__, reverse=True)
        judges = host.locator("table").nth(1)
        # Against the mean of four judges, of whom one is stricter by 2: 2 − 2/4.
        expect(judges.locator("tr", has_text=SEVERE)).to_contain_text("stricter by 1.50")
        expect(judges.locator("tr", has_text="Uma Leclair")).to_contain_text("more generous by 0.50")
        host.get_by_role("button", name="Decide the result").click()
        expect(host.locator("main")).to_contain_text("The host decided the places as they were computed.")

        # The export recounts; with one digit changed it does not.
        host.goto(seats.address + hosted(stage, "standings"))
        with host.expect_download() as download:
            host.get_by_text("Export for a recount").click()
        file = tmp_path / "export.json"
        download.value.save_as(file)
        text = file.read_bytes()
        assert recount(text).problems == []
        content = json.loads(text)
        hearing = next(one for one in content["hearings"] if one["scores"])
        criterion, given = next(iter(hearing["scores"].items()))
        kept = f'"{criterion}": "{given}"'.encode()
        altered = text.replace(kept, f'"{criterion}": "{float(given) - 1:.2f}"'.encode(), 1)
        assert len(altered) == len(text)
        assert sum(one != other for one, other in zip(text, altered, strict=True)) == 1
        problems = recount(altered).problems
        assert any("signature" in problem for problem in problems)
        assert any(problem.startswith("standing ›") for problem in problems)


class TestSorting:
    def test_a_pile_leads_on_and_the_last_one_can_be_taken_back(
        self, chromium: Browser, seats: Seats, stage: Stage
    ) -> None:
        from contests.models import Round, RoundKind, ScoreSheet

        Round.objects.update(kind=RoundKind.SORTING)
        judge = people_of(stage)["Signe Okafor"]
        own = waiting(stage, judge)
        page = seats.of(judge, desk(stage))
        in_sight = page.locator("[data-desk-sheet]:not([hidden]) h2")
        expect(in_sight).to_contain_text("Mix A")
        page.locator("[data-desk-sheet]:not([hidden]) .pile", has_text="Keep").click()
        expect(in_sight).to_contain_text("Mix B")
        page.keyboard.press("Shift+P")
        expect(in_sight).to_contain_text("Mix C")
        expect(page.locator("[data-sorting-words]")).to_have_text("2 sorted and not submitted yet.")
        page.get_by_role("button", name="Take the last one back").click()
        expect(in_sight).to_contain_text("Mix B")
        expect(page.locator("[data-sorting-words]")).to_have_text("1 sorted and not submitted yet.")
        page.keyboard.press("Shift+U")
        expect(page.locator("[data-sorting-words]")).to_have_text("2 sorted and not submitted yet.")
        page.get_by_role("button", name="Submit all that is sorted").click()
        expect(page.locator(".message")).to_contain_text("2 sheets are submitted.")
        settle(page)
        kept = ScoreSheet.objects.filter(assignment__judge__member=judge, submitted_at__isnull=False)
        verdicts = dict(kept.values_list("assignment", "verdict"))
        assert verdicts == {own[0].pk: "keep", own[1].pk: "unsure"}


def people_of(stage: Stage) -> dict[str, Member]:
    return {judge.member.name: judge.member for judge in stage.judges}
