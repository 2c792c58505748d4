"""Timed notes and sessions at the judge's desk in a real browser: written, found, kept offline; a rest."""

from __future__ import annotations

from typing import Any

import pytest
from django.urls import reverse
from playwright.sync_api import Locator, Page, expect

from contests.models import Assignment, JudgingSession, SheetNote
from tests.contests.judging.browser.conftest import settle
from tests.contests.judging.browser.test_desk import eventually, fill, forget, line, sheet, state

pytestmark = [pytest.mark.needs("chromium"), pytest.mark.django_db(transaction=True)]


def seek(page: Page, seconds: float) -> None:
    """Put the booth at a place."""
    page.get_by_role("slider", name="Position").fill(str(seconds))


def notes(page: Page) -> Locator:
    """The lines of the sheet in sight."""
    return sheet(page).locator("[data-note]")


def place(page: Page) -> Any:
    """Where the booth says it is."""
    return page.locator("[data-booth-position]")


class TestNotes:
    def test_a_key_writes_one_where_the_booth_is(self, desk: Page, hearings: list[Assignment]) -> None:
        seek(desk, 1.5)
        desk.keyboard.press("[")
        desk.keyboard.type("The voice sinks [here].")
        seek(desk, 2.5)
        notes(desk).get_by_role("button", name="Until here").click()
        notes(desk).get_by_label("For").select_option("entrant")
        expect(state(desk)).to_have_text("Saved.")
        eventually(lambda: SheetNote.objects.filter(to_entrant=True).exists())
        kept = SheetNote.objects.get()
        assert kept.sheet.assignment_id == hearings[0].pk
        assert (kept.start_s, kept.end_s, kept.text) == (1.5, 2.5, "The voice sinks [here].")

    def test_a_note_leads_back_to_its_copy_and_place(self, desk: Page) -> None:
        seek(desk, 3.0)
        desk.get_by_role("button", name="Note here").click()
        desk.keyboard.type("Cymbals.")
        desk.check("[data-desk-hold]")
        desk.locator("[data-booth-copies] button").nth(1).click()
        expect(desk.locator("[data-desk-apart]")).to_contain_text("You hear mix B")
        seek(desk, 0.5)
        notes(desk).get_by_role("button", name="Go to 0:03.0").click()
        expect(place(desk)).to_have_text("0:03.0")
        expect(desk.locator("[data-booth-copies] [aria-pressed=true]")).to_have_text("A")
        expect(state(desk)).to_have_text("Saved.")

    def test_it_belongs_to_what_is_heard_whichever_sheet_is_in_sight(
        self, desk: Page, hearings: list[Assignment]
    ) -> None:
        desk.check("[data-desk-hold]")
        desk.locator("[data-booth-copies] button").nth(2).click()
        expect(desk.locator("[data-desk-apart]")).to_contain_text("You hear mix C")
        desk.get_by_role("button", name="Note here").click()
        desk.keyboard.type("Bright.")
        expect(sheet(desk).locator("h2")).to_contain_text("Mix C")
        expect(state(desk)).to_have_text("Saved.")
        assert SheetNote.objects.get().sheet.assignment_id == hearings[2].pk

    def test_it_outlives_a_page_that_was_closed_while_the_line_was_down(self, desk: Page) -> None:
        desk.route("**/sheets/**", lambda route: route.abort())
        seek(desk, 2.0)
        desk.keyboard.press("[")
        desk.keyboard.type("From before.")
        expect(state(desk)).to_contain_text("does not answer")
        assert not SheetNote.objects.exists()
        forget(desk)
        desk.on("dialog", lambda dialog: dialog.accept())
        desk.reload()
        expect(notes(desk).locator("textarea")).to_have_value("From before.")
        # Only now, or what the page before sent with its last breath could come between.
        desk.unroute("**/sheets/**")
        expect(state(desk)).to_have_text("Saved.", timeout=20_000)
        forget(desk)
        assert SheetNote.objects.get().start_s == 2.0

    def test_a_time_that_cannot_be_keeps_no_word_from_being_saved(self, desk: Page) -> None:
        seek(desk, 2.0)
        desk.keyboard.press("[")
        desk.keyboard.type("Here.")
        notes(desk).get_by_label("until").fill("0:01")
        expect(notes(desk).locator("[data-note-wrong]")).to_have_text("It ends before it starts.")
        notes(desk).locator("textarea").fill("Here, and there.")
        expect(state(desk)).to_have_text("Saved, except for the time of a note.")
        assert SheetNote.objects.get().text == "Here, and there."
        fill(desk, "7.5", "6")
        sheet(desk).get_by_role("button", name="Submit and seal").click()
        expect(state(desk)).to_have_text("Not submitted: a note has no time that can be.")
        expect(notes(desk).get_by_label("until")).to_be_focused()
        notes(desk).get_by_label("until").fill("0:02.5")
        sheet(desk).get_by_role("button", name="Submit and seal").click()
        eventually(lambda: SheetNote.objects.filter(end_s=2.5, sheet__submitted_at__isnull=False).exists())

    def test_one_that_is_removed_is_gone_and_the_focus_stays_near(self, desk: Page) -> None:
        for words in ("One.", "Two."):
            sheet(desk).get_by_role("button", name="Add a note").click()
            desk.keyboard.type(words)
        eventually(lambda: SheetNote.objects.count() == 2)
        notes(desk).first.get_by_role("button", name="Remove").click()
        expect(notes(desk).locator("textarea")).to_be_focused()
        eventually(lambda: list(SheetNote.objects.values_list("text", flat=True)) == ["Two."])
        notes(desk).get_by_role("button", name="Remove").click()
        expect(sheet(desk).get_by_role("button", name="Add a note")).to_be_focused()
        eventually(lambda: not SheetNote.objects.exists())

    def test_without_script_a_plain_form_does_it(
        self, plain: Page, hearings: list[Assignment], live_server: Any
    ) -> None:
        plain.goto(live_server.url + reverse("contests:sheet", args=[hearings[0].code]))
        plain.get_by_label("At", exact=True).fill("0:01")
        plain.get_by_role("textbox", name="Note", exact=True).fill("By hand.")
        plain.get_by_role("button", name="Save", exact=True).click()
        assert (SheetNote.objects.get().start_s, SheetNote.objects.get().text) == (1.0, "By hand.")


class TestSession:
    def limits(self, desk: Page, *, longest_s: float = 1500, most: int = 12) -> None:
        """The desk anew, with limits that a test can reach, and past the caution."""

        def shorter(route: Any) -> None:
            answer = route.fetch()
            body = answer.text()
            assert 'data-session-longest-s="1500"' in body
            body = body.replace('data-session-longest-s="1500"', f'data-session-longest-s="{longest_s}"')
            body = body.replace('data-session-most="12"', f'data-session-most="{most}"')
            route.fulfill(response=answer, body=body)

        settle(desk)
        desk.route(
            "**/rounds/**",
            lambda route: shorter(route) if route.request.method == "GET" else route.continue_(),
        )
        desk.reload()
        desk.click("[data-booth-ready]")

    def test_after_its_time_it_is_over_and_nothing_stops(self, desk: Page) -> None:
        self.limits(desk, longest_s=2)
        over = desk.locator("[data-session-over]")
        expect(over).to_be_hidden()
        desk.click("[data-booth-do=play]")
        expect(over).to_contain_text("This session is over: you have heard 0:0", timeout=10_000)
        expect(over).to_contain_text("Rest your ears, for at least as long as you listened.")
        expect(desk.locator("[data-booth-state]")).to_have_text("Playing")
        over.get_by_role("button", name="Put this away").click()
        expect(over).to_be_hidden()
        expect(desk.locator("[data-booth-do=play]")).to_be_focused()
        desk.wait_for_timeout(1_200)
        expect(over).to_be_hidden()

    def test_with_one_new_mix_too_many_it_is_over(self, desk: Page) -> None:
        self.limits(desk, most=1)
        desk.click("[data-booth-do=play]")
        new = desk.locator("[data-session-new]")
        expect(new).to_have_text("1")
        line(desk, "B").click()
        expect(new).to_have_text("2")
        expect(desk.locator("[data-session-over]")).to_contain_text("you have begun 2 mixes")

    def test_the_server_knows_of_it_and_the_desk_opens_there(
        self, desk: Page, hearings: list[Assignment]
    ) -> None:
        desk.click("[data-booth-do=play]")
        expect(desk.locator("[data-session-new]")).to_have_text("1")
        line(desk, "B").click()
        expect(desk.locator("[data-session-new]")).to_have_text("2")
        with desk.expect_request("**/heard/"):
            desk.evaluate("window.dispatchEvent(new Event('pagehide'))")
        eventually(lambda: JudgingSession.objects.filter(last=hearings[1]).exists())
        told = Assignment.objects.filter(judge=hearings[0].judge, session__number=1)
        assert list(told.values_list("label", "session_position", "plays")) == [("A", 1, 1), ("B", 2, 1)]
        settle(desk)
        desk.reload()
        expect(sheet(desk).locator("h2")).to_contain_text("Mix B")
        expect(desk.locator("[data-session]")).to_contain_text("You were at mix B")
