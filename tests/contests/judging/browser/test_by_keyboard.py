"""A whole judging session without a mouse, as a screen reader would tell it: an account, and a test of it.

What is said at each stop is the name, role and description that Chromium's accessibility tree gives to the
element with the focus (Chrome DevTools Protocol, Accessibility domain): what a screen reader reads out.
"""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass, field
from typing import Any

import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect
from pytest_django.live_server_helper import LiveServer

from contests.models import Assignment, Round, ScoreSheet
from contests.states import HearingState
from tests.browser.axe import violations
from tests.browser.person import sign_in
from tests.contests.judging.browser.conftest import settle, watch

pytestmark = [pytest.mark.needs("chromium"), pytest.mark.django_db(transaction=True)]

MOST_STOPS = 90


@dataclass
class Session:
    """Somebody at a keyboard, and the account of what was pressed and said."""

    page: Page
    account: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.tree = self.page.context.new_cdp_session(self.page)
        self.tree.send("Accessibility.enable")

    def said(self) -> str:
        """Role, name and description of what has the focus."""
        nodes = self.tree.send("Accessibility.getFullAXTree")["nodes"]
        focused = [node for node in nodes if _property(node, "focused")]
        if not focused:
            return ""
        node = focused[-1]
        parts = [
            node[part]["value"] for part in ("role", "name", "description") if node.get(part, {}).get("value")
        ]
        return ", ".join(map(str, parts))

    def press(self, key: str, *, then: str = "") -> None:
        """Press a key and write down what the focus says after it, and what the page announces."""
        self.page.keyboard.press(key)
        self.account.append(f"{key}: {then or self.said()}")

    def tab_to(self, name: str) -> str:
        """Go by Tab to a control whose name begins so. Every stop on the way has to have a name."""
        for stops in range(1, MOST_STOPS):
            self.page.keyboard.press("Tab")
            said = self.said()
            if not said:
                continue  # past the last control, where the browser's own begin
            assert re.search(r", \S", said), f"a stop without a name: {said!r}"
            if said.partition(", ")[2].startswith(name):
                self.account.append(f"{stops} x Tab: {said}")
                return said
        raise AssertionError(f"no way to {name!r} by Tab")

    def type(self, words: str) -> None:
        """Type into what has the focus."""
        self.page.keyboard.type(words)
        self.account.append(f"types {words!r} in {self.said()}")

    def heard(self, words: str, *, where: str) -> None:
        """Wait for the words in a live region: what is announced without moving the focus."""
        region = self.page.locator(where)
        expect(region).to_contain_text(words)
        live = region.evaluate("one => one.closest('[role=status], [aria-live]') !== null")
        assert live, f"{where} is no live region"
        self.account.append(f"   announced: {' '.join(region.inner_text().split())}")


def _property(node: dict[str, Any], name: str) -> bool:
    return any(one["name"] == name and one["value"].get("value") for one in node.get("properties", []))


@pytest.fixture
def session(page: Page, live_server: LiveServer, hearings: list[Assignment]) -> Session:
    """The first judge, signed in, on the page of rounds."""
    watch(page)
    sign_in(page, hearings[0].judge.member, live_server.url)
    page.goto(live_server.url + reverse("contests:judging"))
    return Session(page)


def at_the_desk(page: Page) -> None:
    """Wait until the desk's scripts have run: the event `load` comes after them."""
    page.wait_for_selector("[data-booth-ready]")
    page.wait_for_load_state("load")


STATUS = ".booth-status"
SHEET = "[data-desk-sheet]:not([hidden])"


def test_a_round_is_judged_from_the_list_to_the_last_seal(
    session: Session, hearings: list[Assignment]
) -> None:
    page = session.page
    session.tab_to("Harbour lights, round 1")
    session.press("Enter", then="the desk")
    at_the_desk(page)
    session.tab_to("Ready to listen")
    session.press("Enter")
    assert session.said().startswith("button, Play")
    hear_them_all(session)
    for number, letter in enumerate("ABC"):
        if number:
            session.press("Enter", then=f"the sheet for mix {letter}")
        session.tab_to("Balance")
        session.type("7.5")
        session.tab_to("Depth")
        session.type("6")
        session.tab_to("Comment to the entrant")
        session.type(
            "Clear and close; 1 more verse of it would be 2 much."
        )  # figures are words here, not keys
        session.heard("Saved.", where=f"{SHEET} [data-sheet-state]")
        session.tab_to("Submit and seal")
        session.press("Enter", then="sealed")
        session.heard(f"Your sheet for mix {letter} is submitted.", where=f"{SHEET} [data-sheet-state]")
        if letter != "C":
            page.wait_for_function("document.activeElement.matches('[data-desk-open]')")
    settle(page)
    expect(page.locator("[data-desk-words]")).to_have_text("3 of 3 sheets submitted.")
    print("\n".join(session.account), file=sys.stderr)
    assert set(ScoreSheet.objects.values_list("assignment__state", flat=True)) == {HearingState.SUBMITTED}
    assert ScoreSheet.objects.count() == 3


def hear_them_all(session: Session) -> None:
    """Play, switch, go to and fro, loop, mark, all by single keys."""
    session.press("1", then="plays")
    session.heard("Playing, copy A.", where=STATUS)
    for letter in "bc":
        session.press(letter, then=f"copy {letter.upper()}")
        session.heard(f"Playing, copy {letter.upper()}. Not heard yet.", where=STATUS)
    session.press("6", then="the copy before")
    session.heard("Playing, copy B.", where=STATUS)
    session.press("0", then="marks the place")
    session.heard("Marked at 0:0", where=STATUS)
    session.press("1", then="stops")
    session.heard("Stopped, copy B.", where=STATUS)
    session.press("a", then="copy A, and its sheet")
    session.heard("Stopped, copy A.", where=STATUS)


def test_the_desk_has_a_tree_to_walk_by(session: Session, round_: Round) -> None:
    """Landmarks, headings, groups and named controls: what a screen reader offers to jump by."""
    page = session.page
    page.get_by_role("link", name="Harbour lights, round 1").click()
    at_the_desk(page)
    page.get_by_role("button", name="Ready to listen").click()
    tree = page.locator("main").aria_snapshot()
    print(tree, file=sys.stderr)
    for part in (
        'heading "Harbour lights, round 1" [level=1]',
        'progressbar "Sheets submitted"',
        'region "Listening booth"',
        'group "Listening copies"',
        'button "A" [pressed]',
        'slider "Position"',
        'slider "Gain, all copies"',
        "group: Sections, marks, loop",
        'navigation "Your sheets"',
        'heading "Your sheets" [level=2]',
        'spinbutton "Balance 60% of the whole"',
        'textbox "Comment to the entrant"',
    ):
        assert part in tree, part
    assert "status: Stopped, copy A." in tree
    settle(page)


def test_axe_finds_nothing_to_mend(desk: Page) -> None:
    """axe-core, rules of WCAG 2.0 to 2.2 at A and AA, on the desk with everything open."""
    desk.keyboard.press("[")
    desk.keyboard.type("A note with its line in sight.")
    expect(desk.locator(f"{SHEET} [data-sheet-state]")).to_have_text("Saved.")
    desk.get_by_role("textbox", name="At", exact=True).fill("junk")  # and what is wrong with it
    desk.evaluate("document.querySelectorAll('details').forEach((one) => (one.open = true))")
    desk.evaluate("document.querySelector('[data-session-over]').hidden = false")
    assert violations(desk) == []
    expect(desk.locator(f"{SHEET} [data-sheet-state]")).to_have_text("Saved, except for the time of a note.")


def test_one_may_go_past_the_booth(session: Session) -> None:
    session.page.get_by_role("link", name="Harbour lights, round 1").click()
    at_the_desk(session.page)
    session.tab_to("Past the booth, to the sheet")
    session.press("Enter")
    assert "Balance" in session.tab_to("Balance")
    assert len(session.account) == 3
    assert session.account[-1].startswith("1 x Tab")
    settle(session.page)
