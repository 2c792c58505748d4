"""Make README's pictures from the demo: `python -m tests.browser.screenshots DATA_DIR [FOLDER]`.

`DATA_DIR` holds the data of `manage.py demo`; the pictures go to `fixtures/pictures` unless told otherwise.
"""

from __future__ import annotations

import argparse
import os
from pathlib import Path

import django
from playwright.sync_api import Browser, sync_playwright

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
django.setup()

# ruff: noqa: E402  the pass phrase lives beside models, which want the settings first
from contests.demo.people import PASS_PHRASE
from fixtures.scenario import SCENARIO
from tests.browser.person import DESK_WIDTH, HEIGHT, PHONE_WIDTH, Visitor
from tests.conftest import CHROMIUM_FLAGS, path_of
from tests.services.serving import serving
from tests.services.site import ROOT, Site

TALL = 1050  # px; high enough for a whole desk

STAGES = {contest.stage: contest for contest in SCENARIO.contests}


def main() -> None:
    """Serve the demo, go round, keep the pictures."""
    call = argparse.ArgumentParser(description=__doc__)
    call.add_argument("data_dir", type=Path)
    call.add_argument("folder", type=Path, nargs="?", default=ROOT / "fixtures/pictures")
    given = call.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    site = Site(given.data_dir.resolve(), SITE_NAME=SCENARIO.school)
    with serving(site) as served, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path_of("chromium"), args=CHROMIUM_FLAGS)
        for take in (judges_desk, hosts_pages, entrants_pages, on_a_phone):
            take(browser, served.address, given.folder)
        browser.close()


def judges_desk(browser: Browser, address: str, folder: Path) -> None:
    """A judge in the middle of the work, with the booth playing."""
    judge = Visitor(browser, address)
    judge.sign_in(SCENARIO.judges[0], PASS_PHRASE)
    judge.go("/contests/judging/")
    judge.follow(judge.page.locator("main .register a").first)
    judge.page.locator("[data-desk-open]").filter(has_text="to be scored").first.click()
    judge.press("Ready to listen")
    judge.press("Play")
    judge.page.locator("[data-booth-state]").get_by_text("Playing").wait_for()
    sheet = judge.page.locator("[data-desk-sheet]:not([hidden])")
    for score, field in zip((8, 7.5, 6.5), sheet.locator("input[type=number]").all(), strict=False):
        field.fill(str(score))
    judge.page.evaluate("document.activeElement.blur(); window.scrollTo(0, 0)")
    judge.page.wait_for_timeout(3_000)  # into the song
    judge.page.set_viewport_size({"width": DESK_WIDTH, "height": TALL})
    judge.page.screenshot(path=folder / "desk.png")
    for field in sheet.locator("input[type=number]").all():
        field.fill("")  # as it was
    judge.page.wait_for_timeout(2_000)
    judge.leave()


def hosts_pages(browser: Browser, address: str, folder: Path) -> None:
    """What defends a result, what was noticed before it, and what follows from it."""
    host = Visitor(browser, address)
    host.sign_in(SCENARIO.host, PASS_PHRASE)
    host.go(f"/contests/results/{STAGES['finished'].slug}/standing/")
    host.page.screenshot(path=folder / "standing.png")
    host.go(f"/contests/hosting/{STAGES['finished'].slug}/plan/")
    host.page.screenshot(path=folder / "plan.png")
    host.go(f"/contests/hosting/{STAGES['judging'].slug}/screening/")
    host.page.screenshot(path=folder / "screening.png")
    host.go(f"/contests/hosting/{STAGES['finished'].slug}/prizes/")
    host.page.screenshot(path=folder / "prizes.png")
    host.leave()


def entrants_pages(browser: Browser, address: str, folder: Path) -> None:
    """A lesson with its comparison, and an entry with its receipt."""
    entrant = Visitor(browser, address)
    entrant.sign_in(SCENARIO.member("moorhen"), PASS_PHRASE)
    entrant.go("/courses/")
    entrant.follow(entrant.page.locator("main").get_by_role("link", name=SCENARIO.course.title))
    entrant.follow(entrant.page.locator("main a[href^='/courses/']").last)
    entrant.press("Ready to listen")
    entrant.page.locator("[data-booth]").evaluate("booth => booth.scrollIntoView({ block: 'end' })")
    entrant.page.evaluate("document.activeElement.blur()")
    entrant.page.screenshot(path=folder / "lesson.png")
    entrant.go("/contests/entries/")
    entrant.follow(entrant.page.locator("main a[href*='/contests/entries/']").first)
    entrant.page.set_viewport_size({"width": DESK_WIDTH, "height": TALL})
    entrant.page.screenshot(path=folder / "entry.png")
    entrant.leave()


def on_a_phone(browser: Browser, address: str, folder: Path) -> None:
    """A contest as a visitor sees it."""
    visitor = Visitor(browser, address)
    visitor.page.set_viewport_size({"width": PHONE_WIDTH, "height": HEIGHT})
    visitor.go(f"/contests/{STAGES['open'].slug}/")
    visitor.page.screenshot(path=folder / "contest-phone.png")
    visitor.leave()


if __name__ == "__main__":
    main()
