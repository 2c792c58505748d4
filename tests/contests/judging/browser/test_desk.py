"""The judge's desk in a real browser: hear, score, lose nothing, seal; with and without script."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import Page, Route, expect

from analysis.measuring.measuring import measurement_of
from contests.judging.filling_up import take_in_late
from contests.models import Assignment, Round, ScoreSheet
from contests.states import EntryState, RoundState
from tests import cast
from tests.contests.judging.browser.conftest import settle
from tests.contests.judging.conftest import entry, music
from tests.contests.stages import run_all_jobs

pytestmark = [pytest.mark.needs("chromium"), pytest.mark.django_db(transaction=True)]


def sheet(page: Page) -> Any:
    """The sheet in sight."""
    return page.locator("[data-desk-sheet]:not([hidden]) form")


def line(page: Page, label: str) -> Any:
    """A mix's line in the list of sheets."""
    return page.locator("[data-desk-open]").get_by_text(label, exact=True)


def state(page: Page) -> Any:
    """The line under the sheet in sight."""
    return sheet(page).locator("[data-sheet-state]")


def fill(page: Page, *values: str) -> None:
    """Type the scores of the sheet in sight."""
    for field, value in zip(sheet(page).locator("input[type=number]").all(), values, strict=True):
        field.fill(value)


class TestSwitching:
    def test_the_sheet_follows_the_copy_that_is_heard(self, desk: Page) -> None:
        expect(sheet(desk).locator("h2")).to_contain_text("Mix A")
        desk.click("[data-booth-do=play]")
        desk.locator("[data-booth-copies] button").nth(1).click()
        expect(sheet(desk).locator("h2")).to_contain_text("Mix B")
        expect(desk.locator("[data-desk-open][aria-current=true]")).to_contain_text("B")

    def test_the_list_chooses_sheet_and_copy(self, desk: Page) -> None:
        line(desk, "C").click()
        expect(sheet(desk).locator("h2")).to_contain_text("Mix C")
        expect(desk.locator("[data-booth-copies] [aria-pressed=true]")).to_have_text("C")

    def test_a_sheet_can_be_kept_in_sight_while_others_are_heard(self, desk: Page) -> None:
        desk.check("[data-desk-hold]")
        desk.click("[data-booth-do=play]")
        desk.locator("[data-booth-copies] button").nth(2).click()
        expect(desk.locator("[data-desk-apart]")).to_have_text(
            "You hear mix C; the sheet in sight is for mix A."
        )
        expect(sheet(desk).locator("h2")).to_contain_text("Mix A")

    def test_heard_time_reaches_the_server(self, desk: Page, hearings: list[Assignment]) -> None:
        desk.click("[data-booth-do=play]")
        desk.wait_for_timeout(2_500)
        with desk.expect_request("**/heard/"):
            desk.evaluate("window.dispatchEvent(new Event('pagehide'))")
        eventually(lambda: Assignment.objects.get(pk=hearings[0].pk).heard_s >= 1.0)


class TestSaving:
    def test_what_is_typed_is_saved(self, desk: Page, hearings: list[Assignment]) -> None:
        fill(desk, "7.5", "6")
        sheet(desk).locator("[name=comment]").fill("The low end is clear.")
        expect(state(desk)).to_have_text("Saved.")
        kept = ScoreSheet.objects.get(assignment=hearings[0])
        assert kept.comment == "The low end is clear."
        assert sorted(float(one.value) for one in kept.scores.all()) == [6.0, 7.5]
        expect(desk.locator("[data-desk-open]").first).to_contain_text("begun")
        assert desk.evaluate("localStorage.length") == 0

    def test_a_broken_line_loses_nothing(
        self, desk: Page, hearings: list[Assignment], live_server: Any
    ) -> None:
        desk.route("**/sheets/**", lambda route: route.abort())
        sheet(desk).locator("[name=comment]").fill("Kept through the gap.")
        expect(state(desk)).to_contain_text("the line or the server does not answer")
        assert not ScoreSheet.objects.exists()
        forget(desk)
        desk.unroute("**/sheets/**")
        desk.evaluate("window.dispatchEvent(new Event('online'))")
        expect(state(desk)).to_have_text("Saved.")
        assert ScoreSheet.objects.get().comment == "Kept through the gap."

    def test_words_outlive_a_page_that_was_closed_while_the_line_was_down(
        self, desk: Page, hearings: list[Assignment]
    ) -> None:
        desk.route("**/sheets/**", lambda route: route.abort())
        sheet(desk).locator("[name=comment]").fill("From before.")
        expect(state(desk)).to_contain_text("does not answer")
        forget(desk)
        desk.on("dialog", lambda dialog: dialog.accept())
        desk.unroute("**/sheets/**")
        desk.reload()
        expect(sheet(desk).locator("[name=comment]")).to_have_value("From before.")
        expect(state(desk)).to_have_text("Saved.")
        assert ScoreSheet.objects.get().comment == "From before."

    def test_an_answer_that_got_lost_is_no_other_window(self, desk: Page) -> None:
        lost = []

        def lose_the_first_answer(route: Route) -> None:
            if not lost:
                lost.append(route.fetch())  # the server has it
                route.abort()
            else:
                route.continue_()

        desk.route("**/sheets/**", lose_the_first_answer)
        sheet(desk).locator("[name=comment]").fill("One")
        expect(state(desk)).to_contain_text("does not answer")
        forget(desk)
        sheet(desk).locator("[name=comment]").fill("One and two")
        expect(state(desk)).to_have_text("Saved.")
        assert ScoreSheet.objects.get().comment == "One and two"
        forget(desk)

    def test_a_score_off_the_scale_is_said_and_keeps_no_word_from_being_saved(self, desk: Page) -> None:
        fill(desk, "7.3", "6")
        sheet(desk).locator("[name=comment]").fill("Words.")
        expect(sheet(desk).locator(".wrong-why")).to_contain_text("from 1 to 10 in steps of 0.5")
        expect(state(desk)).to_have_text("Saved, except for the score that is not on its scale.")
        kept = ScoreSheet.objects.get()
        assert kept.comment == "Words."
        assert [float(one.value) for one in kept.scores.all()] == [6.0]

    def test_two_windows_let_the_judge_choose(self, desk: Page, hearings: list[Assignment]) -> None:
        sheet(desk).locator("[name=comment]").fill("Here.")
        expect(state(desk)).to_have_text("Saved.")
        settle(desk)
        ScoreSheet.objects.update(comment="Elsewhere.", saved_at=timezone.now() + timedelta(seconds=1))
        sheet(desk).locator("[name=comment]").fill("Here, more.")
        expect(state(desk)).to_contain_text("changed in another window")
        forget(desk)
        sheet(desk).locator("[data-sheet-theirs]").click()
        expect(sheet(desk).locator("[name=comment]")).to_have_value("Elsewhere.")
        sheet(desk).locator("[name=comment]").fill("Elsewhere, more.")
        expect(state(desk)).to_have_text("Saved.")
        assert ScoreSheet.objects.get().comment == "Elsewhere, more."

    def test_whoever_is_signed_out_is_told_and_loses_nothing(self, desk: Page) -> None:
        desk.context.clear_cookies(name="session")
        sheet(desk).locator("[name=comment]").fill("Still here.")
        expect(state(desk)).to_contain_text("you are no longer signed in")
        forget(desk)
        assert "Still here." in desk.evaluate("JSON.stringify(localStorage)")


class TestSealing:
    def test_submitting_stays_on_the_desk(self, desk: Page, hearings: list[Assignment]) -> None:
        fill(desk, "7.5", "6")
        sheet(desk).get_by_role("button", name="Submit and seal").click()
        expect(state(desk)).to_have_text("Your sheet for mix A is submitted.")
        expect(desk.locator("[data-desk-words]")).to_have_text("1 of 3 sheets submitted.")
        expect(desk.locator("[data-desk-open]").first).to_contain_text("submitted")
        expect(sheet(desk).locator("[name=comment]")).to_be_disabled()
        desk.keyboard.press("Enter")  # the keyboard goes on at the next sheet
        expect(sheet(desk).locator("h2")).to_contain_text("Mix B")
        assert ScoreSheet.objects.get(assignment=hearings[0]).submitted_at is not None
        desk.reload()
        expect(sheet(desk).locator("h2")).to_contain_text("Mix B")

    def test_the_time_for_the_rest_goes_down_and_away(self, desk: Page, hearings: list[Assignment]) -> None:
        about = desk.locator("[data-desk-about]")
        words = []
        for label in "ABC":
            line(desk, label).click()
            words.append(about.inner_text())
            fill(desk, "7.5", "6")
            sheet(desk).get_by_role("button", name="Submit and seal").click()
            expect(state(desk)).to_have_text(f"Your sheet for mix {label} is submitted.")
        # Three minutes' writing and four seconds' music a mix, up to whole five minutes: 9.2, 6.1, 3.1.
        assert [re.search(r"\d+", one)[0] for one in words] == ["10", "10", "5"]
        expect(about).to_be_hidden()

    def test_a_missing_score_is_named(self, desk: Page) -> None:
        fill(desk, "7.5", "")
        sheet(desk).get_by_role("button", name="Submit and seal").click()
        expect(state(desk)).to_contain_text("One score is still missing: Depth")
        forget(desk)
        fill(desk, "7.5", "6")
        sheet(desk).get_by_role("button", name="Submit and seal").click()
        expect(state(desk)).to_have_text("Your sheet for mix A is submitted.")

    def test_standing_aside(self, desk: Page, hearings: list[Assignment]) -> None:
        sheet(desk).get_by_text("I recognise this mix").click()
        sheet(desk).get_by_role("button", name="Stand aside from mix A").click()
        expect(state(desk)).to_have_text("You stood aside from mix A.")
        expect(desk.locator("[data-desk-words]")).to_have_text("0 of 2 sheets submitted.")

    def test_a_list_that_grew_meanwhile_is_told_at_the_next_save(
        self, desk: Page, round_: Round, hearings: list[Assignment]
    ) -> None:
        grown = desk.locator("[data-desk-grown]")
        sheet(desk).locator("[name=comment]").fill("Before.")
        expect(state(desk)).to_contain_text("Saved")
        expect(grown).to_be_hidden()
        settle(desk)
        # One goes out as another comes in: as many sheets are asked for as before.
        hearings[1].entry.move_to(EntryState.DISQUALIFIED)
        give_another(round_)
        sheet(desk).locator("[name=comment]").fill("After.")
        expect(grown).to_be_visible()
        # What is begun keeps its letter, and its words.
        assert Assignment.objects.get(pk=hearings[0].pk).label == "A"
        eventually(lambda: ScoreSheet.objects.get(assignment=hearings[0]).comment == "After.")

    def test_it_is_told_to_a_judge_who_leaves_a_mix_as_well(self, desk: Page, round_: Round) -> None:
        """As many sheets are to be written as before then; the list has grown all the same."""
        settle(desk)
        give_another(round_)
        sheet(desk).get_by_text("I recognise this mix").click()
        sheet(desk).get_by_role("button", name="Stand aside from mix A").click()
        expect(desk.locator("[data-desk-words]")).to_have_text("0 of 3 sheets submitted.")
        expect(desk.locator("[data-desk-grown]")).to_be_visible()

    def test_a_round_that_the_host_closes_meanwhile_says_so(self, desk: Page) -> None:
        settle(desk)
        Round.objects.update(state=RoundState.CLOSED)
        sheet(desk).locator("[name=comment]").fill("Too late.")
        expect(state(desk)).to_contain_text("The host has closed this round")
        forget(desk)


class TestWithoutScript:
    def test_a_sheet_is_scored_by_its_form(
        self, plain: Page, live_server: Any, hearings: list[Assignment]
    ) -> None:
        plain.goto(live_server.url + reverse("contests:judging"))
        plain.click("text=Harbour lights, round 1")
        line(plain, "B").click()
        for field in plain.locator("input[type=number]").all():
            field.fill("8")
        plain.fill("[name=comment]", "By hand.")
        plain.click("text=Submit and seal")
        expect(plain.locator(".message")).to_contain_text("Your sheet for mix B is submitted.")
        kept = ScoreSheet.objects.get(assignment=hearings[1])
        assert kept.comment == "By hand."
        assert kept.submitted_at is not None

    def test_signing_out_works_from_the_desk(self, plain: Page, live_server: Any, round_: Round) -> None:
        """The policy on referrers must leave plain forms an origin that Django takes."""
        plain.goto(live_server.url + reverse("contests:desk", args=[round_.contest.slug, 1]))
        plain.click("text=Sign out")
        expect(plain.locator(".site-person")).to_contain_text("Sign in")


@pytest.mark.parametrize("width", [1280, 360])
def test_nothing_runs_off_the_side(desk: Page, width: int) -> None:
    """WCAG 2.2, 1.4.10: no scrolling in two directions; 320 px is asked for, 360 px is looked at here."""
    desk.set_viewport_size({"width": width, "height": 800})
    assert desk.evaluate("document.documentElement.scrollWidth") <= width


def give_another(round_: Round) -> None:
    """An entry that came late is taken into the round, and with it a hearing into the judge's list."""
    late = cast.member("Dov Halloran")
    recording = cast.recording(owner=late, audio=music(9, seconds=4.0))
    measurement_of(recording)
    entry(round_.contest, late, recording=recording)
    host = cast.host()
    take_in_late(round_, actor=host, now=timezone.now())  # asks for the copy
    run_all_jobs()
    assert take_in_late(round_, actor=host, now=timezone.now()) == 1


def eventually(is_so: Callable[[], bool], *, seconds: float = 5.0) -> None:
    """Wait for the server to have done something that no page shows."""
    until = timezone.now() + timedelta(seconds=seconds)
    while not is_so():
        assert timezone.now() < until
        time.sleep(0.05)


def forget(page: Page) -> None:
    """Chromium logs each refused or broken request as an error; here they were wanted, and nothing else."""
    faults: list[str] = page.faults  # type: ignore[attr-defined]
    assert all(fault.startswith("Failed to load resource") for fault in faults), faults
    faults.clear()
