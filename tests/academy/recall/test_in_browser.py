"""A host types a chain in a real browser and keeps it; a member reads it, curves and all."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Browser, expect
from pytest_django.live_server_helper import LiveServer

from academy.members.models import Member
from tests import cast
from tests.browser.person import Visitor, sign_in, windows

pytestmark = [pytest.mark.needs("chromium"), pytest.mark.django_db(transaction=True)]

CHAIN = """compressor (hardware): Gentle bus compressor
    ratio 1.5:1
    attack 15 ms
    release 0.5 s
    side-chain high-pass 90 Hz
    mid: reduction 2 dB | side: reduction 1 dB
"""

Open = Callable[[Member], Visitor]


@pytest.fixture
def open_window(chromium: Browser, live_server: LiveServer) -> Iterator[Open]:
    """Open a window for a member, signed in. An error that a page logs fails the test."""
    with windows(chromium, live_server.url) as open_one:

        def open_for(member: Member) -> Visitor:
            window = open_one()
            sign_in(window.page, member, live_server.url)
            return window

        yield open_for


def test_a_chain_is_typed_kept_shown_and_read(open_window: Open) -> None:
    pack = cast.pack(title="The tracks", tier=cast.tier("full"))
    host = open_window(cast.host())
    host.go("/recall/hosting/new/")
    host.page.get_by_label("Title").fill("Two-bus")
    host.page.get_by_label("What the chain is on").select_option("two-bus")
    host.page.get_by_label("Stem pack").select_option(pack.title)
    host.send("Begin the sheet")

    host.follow(host.page.get_by_role("link", name="Type the chain as text"))
    host.page.get_by_label("The chain").fill(CHAIN.replace("15 ms", "15"))
    host.send("Save the chain")
    expect(host.page.get_by_role("alert")).to_contain_text("Line 3: “attack 15” has a number without a unit")
    host.faults.clear()  # the browser itself logs that the page was answered with 422
    host.page.get_by_label("The chain").fill(CHAIN)
    host.send("Save the chain")

    host.follow(host.page.get_by_role("link", name="Gentle bus compressor"))
    host.keep("device")
    host.page.get_by_label("Add a setting, as you would say it").fill("knee 6 dB -- soft")
    host.send("Add it")
    host.follow(host.page.locator(".trail").get_by_role("link", name="Two-bus"))
    host.keep("desk")
    host.page.get_by_label("What changed").fill("As printed.")
    host.send("Keep version 1")
    host.send("Show it to readers")

    reader = open_window(cast.member(tier=cast.tier("full")))
    reader.go("/recall/")
    reader.follow(reader.page.locator("main").get_by_role("link", name="Two-bus"))
    reader.keep("sheet")
    expect(reader.page.get_by_role("img")).to_have_count(3)  # side chain, levels, step
    for curve in reader.page.locator("figure > svg .curve-line-1").all():
        box = curve.bounding_box()
        assert box is not None
        assert box["width"] > 100 or box["height"] > 100
    colours = reader.page.locator("figure .curve-line-1").first.evaluate(
        "line => getComputedStyle(line).stroke"
    )
    assert (
        colours == "rgb(0, 114, 178)"
    )  # the first data colour of the light page: the style sheet is at work
    reader.page.get_by_text("The numbers").nth(1).click()
    # 3 dB over at 1.5:1 with a knee of 6 dB: the knee's end, where 1 dB is reached as without it.
    row = reader.page.get_by_role("row").filter(
        has=reader.page.get_by_role("rowheader", name="3.0", exact=True)
    )
    expect(row).to_contain_text("1.00\u00a0dB")
