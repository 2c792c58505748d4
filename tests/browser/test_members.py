"""Somebody joins by a letter and a code, changes an address and leaves, in a real browser."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.core import mail
from django.utils import timezone
from playwright.sync_api import Browser, Page, expect
from pytest_django.live_server_helper import LiveServer

from academy.members import codes
from academy.members.models import Member
from tests import cast
from tests.browser.axe import violations
from tests.working import work_off

pytestmark = [pytest.mark.needs("chromium"), pytest.mark.django_db(transaction=True)]

ADDRESS, PHRASE = "tamsin@example.org", "seven quiet kettles"


def link_posted(address: str, live_server: LiveServer) -> str:
    """What the site's letters to an address lead to, once a worker has sent them."""
    work_off()
    body = [letter for letter in mail.outbox if letter.to == [address]][-1].body
    found = re.search(r"/members/links/\S+", str(body))
    assert found is not None, body
    return live_server.url + found.group()


def fits(page: Page) -> None:
    """On a phone nothing runs off the page, and axe-core finds nothing (WCAG 2.0 to 2.2, A and AA)."""
    page.set_viewport_size({"width": 360, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert violations(page) == []


def test_a_stranger_becomes_a_member_moves_and_leaves(page: Page, live_server: LiveServer) -> None:
    code = codes.make_code(
        tier=cast.tier("full"),
        length_days=30,
        most_uses=1,
        expires_at=timezone.now() + timedelta(days=1),
        made_by=None,
        now=timezone.now(),
    )
    page.goto(f"{live_server.url}/members/join/?code={code}")
    fits(page)
    page.get_by_label("Name").fill("Tamsin Wetherby")
    page.get_by_label("E-mail address").fill(ADDRESS)
    page.get_by_role("button", name="Write to me").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Look into your post")

    page.goto(link_posted(ADDRESS, live_server))
    page.get_by_label("New pass phrase").fill(PHRASE)
    page.get_by_label("The same again").fill(PHRASE)
    page.get_by_role("button", name="Keep and sign in").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Tamsin Wetherby")
    expect(page.locator("main .facts")).to_contain_text("in force until")
    fits(page)

    page.get_by_role("link", name="Name, address, pass phrase").click()
    page.get_by_label("E-mail address").fill("moved@example.org")
    page.locator("form").filter(has_text="Write to the new address").get_by_label("Your pass phrase").fill(
        PHRASE
    )
    page.get_by_role("button", name="Write to the new address").click()
    page.goto(link_posted("moved@example.org", live_server))
    page.get_by_role("button", name="Confirm").click()
    expect(page.locator("main .facts")).to_contain_text("moved@example.org")

    page.goto(f"{live_server.url}/members/leave/")
    fits(page)
    page.get_by_label("Your pass phrase").fill(PHRASE)
    page.get_by_role("button", name="Delete my account").click()
    expect(page.locator(".message")).to_contain_text("Your account is deleted.")
    assert not Member.objects.exists()


def test_a_host_looks_at_a_letter_as_a_mail_program_shows_it(
    chromium: Browser, live_server: LiveServer
) -> None:
    """The policy of that page lets its own style through; a blocked one would be logged."""
    host = cast.host()
    context = chromium.new_context()
    page = context.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.goto(f"{live_server.url}/members/sign-in/?next=/letters/hosting/joining/html/")
    page.get_by_label("E-mail address").fill(host.email)
    page.get_by_label("Pass phrase").fill("a long pass phrase")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("link", name="Choose a pass phrase")).to_be_visible()
    assert page.evaluate("getComputedStyle(document.querySelector('.go a')).borderTopWidth") == "2px"
    assert not [words for words in said if "Content Security Policy" in words]
    context.close()
