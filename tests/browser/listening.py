"""What a judge's hands do in the booth."""

from __future__ import annotations

from playwright.sync_api import expect

from tests.browser.person import Visitor
from tests.services.programs import wait_until

SLOW_MS = 90_000  # what a worker does, on a busy machine


def listen(judge: Visitor) -> None:
    """Play, switch while it plays, and see the position go on."""
    page = judge.page
    page.get_by_role("button", name="Ready to listen").click()
    page.get_by_role("button", name="Play", exact=True).click()
    expect(page.locator("[data-booth-state]")).to_have_text("Playing", timeout=SLOW_MS)
    copies = page.locator("[data-booth-copies] button")
    for number in (1, 0, 1):
        before_s = position_s(judge)
        copies.nth(number).click()
        expect(copies.nth(number)).to_have_attribute("aria-pressed", "true")
        expect(page.locator("[data-booth-state]")).to_have_text("Playing")
        wait_until(
            lambda before_s=before_s: position_s(judge) > before_s + 0.3, seconds=20, what="it goes on"
        )
    page.get_by_role("button", name="Pause", exact=True).click()


def position_s(judge: Visitor) -> float:
    """Where the booth's shared position is."""
    minutes, seconds = judge.page.locator("[data-booth-position]").inner_text().split(":")
    return 60 * int(minutes) + float(seconds)
