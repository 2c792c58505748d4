"""Somebody at a browser of their own: signs in, goes about, keeps a picture of every page."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from django.conf import settings
from playwright.sync_api import Browser, Locator, Page

from academy.members.models import Member
from fixtures.people import Person
from tests import cast

DESK_WIDTH, PHONE_WIDTH = 1280, 360
HEIGHT = 800
SETTLE_MS = 200  # SQLite in memory locks tables: let the last request of a page end before it is closed


class Visitor:
    """One browser window on a served site, at 1280 px. What the page logs as an error or throws is kept."""

    def __init__(self, browser: Browser, address: str, *, pictures: Path | None = None) -> None:
        self.address = address
        self.pictures = pictures
        self.faults: list[str] = []
        context = browser.new_context(
            viewport={"width": DESK_WIDTH, "height": HEIGHT},
            timezone_id="Europe/Lisbon",
            locale="en-GB",
            accept_downloads=True,
        )
        self.page: Page = context.new_page()
        self.page.on("pageerror", lambda error: self.faults.append(str(error)))
        self.page.on("console", lambda said: self.faults.append(said.text) if said.type == "error" else None)

    def sign_in(self, person: Person, pass_phrase: str) -> None:
        """By the form, as anybody does."""
        self.go("/members/sign-in/")
        self.page.get_by_label("E-mail address").fill(person.email)
        self.page.get_by_label("Pass phrase").fill(pass_phrase)
        self.send("Sign in")

    def go(self, path: str) -> None:
        """Open an address of the site."""
        answer = self.page.goto(self.address + path)
        assert answer is not None
        assert answer.status == 200, f"{path}: {answer.status}"

    def press(self, name: str) -> None:
        """Press the one button in the page's own part that is called so."""
        self.page.locator("main").get_by_role("button", name=name, exact=True).click()

    def send(self, name: str) -> None:
        """Press a button that sends a form, and wait for the page that answers."""
        with self.page.expect_navigation():
            self.press(name)

    def follow(self, link: Locator) -> None:
        """Click a link and wait for the page behind it."""
        with self.page.expect_navigation():
            link.click()

    def keep(self, name: str) -> None:
        """Keep a picture of the whole page on a desk and on a phone, where pictures are wanted.

        Whether or not they are, the page must not be wider than the phone.
        """
        self.page.evaluate("window.scrollTo(0, 0)")  # what sticks to the window would lie over the page
        for width in (PHONE_WIDTH, DESK_WIDTH):
            self.page.set_viewport_size({"width": width, "height": HEIGHT})
            wide = self.page.evaluate("document.documentElement.scrollWidth")
            assert wide <= width, f"{name} is {wide} px wide at {width} px"
            if self.pictures:
                self.page.screenshot(path=self.pictures / f"{name}-{width}.png", full_page=True)

    def leave(self) -> None:
        """Close the window."""
        self.page.context.close()


@contextmanager
def windows(
    browser: Browser, address: str, *, pictures: Path | None = None
) -> Iterator[Callable[[], Visitor]]:
    """Open windows on a site, one for each call, and close all of them. A fault in any one is a failure."""
    opened: list[Visitor] = []

    def open_one() -> Visitor:
        opened.append(Visitor(browser, address, pictures=pictures))
        return opened[-1]

    yield open_one
    faults = [fault for window in opened for fault in window.faults]
    for window in opened:
        window.page.wait_for_timeout(SETTLE_MS)
        window.leave()
    assert faults == []


def pictures_folder(variable: str) -> Path | None:
    """The folder that a variable of the environment names, made if need be; None where it names none."""
    if not os.environ.get(variable):
        return None
    folder = Path(os.environ[variable])
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def sign_in(page: Page, member: Member, address: str) -> None:
    """Give a page's browser a session of the member's, without the form. Nothing is opened yet."""
    page.context.add_cookies(
        [{"name": settings.SESSION_COOKIE_NAME, "value": cast.session_of(member), "url": address}]
    )
