"""A part of a page that keeps itself fresh, in a real browser."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

LIVE = Path(__file__).resolve().parents[2] / "academy/static/academy/live.js"
PAGE = b"""<!doctype html><title>Live</title>
<div data-live="/part" data-live-every="0.1"><p>first</p></div>
<script type="module" src="/live.js"></script>"""

pytestmark = pytest.mark.needs("chromium")


class Site(ThreadingHTTPServer):
    """A page, the script, and a part whose answers are set by the test."""

    answers: list[tuple[int, str]]
    asked: int

    def next_answer(self) -> tuple[int, str]:
        """The next answer of the list; the last one again and again."""
        self.asked += 1
        return self.answers[min(self.asked, len(self.answers)) - 1]


class Handler(BaseHTTPRequestHandler):
    """Serves the three addresses."""

    server: Site

    def do_GET(self) -> None:
        """Answer."""
        if self.path == "/part":
            status, text = self.server.next_answer()
            self._send(status, "text/html", text.encode())
        elif self.path == "/live.js":
            self._send(200, "text/javascript", LIVE.read_bytes())
        elif self.path == "/signed-out":
            self._send(200, "text/html", b"<p>please sign in</p>")
        else:
            self._send(200, "text/html", PAGE)

    def _send(self, status: int, content_type: str, body: bytes) -> None:
        self.send_response(status)
        if status == 302:
            self.send_header("Location", "/signed-out")
        self.send_header("Content-Type", f"{content_type}; charset=utf-8")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        """Quiet."""


@pytest.fixture
def site() -> Iterator[Site]:
    """The server, on a free port."""
    server = Site(("127.0.0.1", 0), Handler)
    server.answers, server.asked = [(200, "<p>first</p>")], 0
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield server
    server.shutdown()
    server.server_close()
    thread.join()


@pytest.fixture
def browser_page(chromium: Browser) -> Iterator[Page]:
    """A page that may log errors: these tests bring them about."""
    context = chromium.new_context()
    yield context.new_page()
    context.close()


def opened(page: Page, site: Site, *answers: tuple[int, str]) -> Page:
    """The page, with the answers that its part will get."""
    site.answers = list(answers)
    page.goto(f"http://127.0.0.1:{site.server_port}/")
    return page


# What is there for a tenth of a second may be gone before anybody looks, so the page itself keeps a list.
KEEP_WHAT_IS_SEEN = """
  window.seen = [];
  document.addEventListener("DOMContentLoaded", () => {
    const live = document.querySelector("[data-live]");
    new MutationObserver(() => seen.push(live.innerText)).observe(live, { childList: true, subtree: true });
  });
"""


def test_it_shows_what_is_new_until_it_is_done(site, browser_page):
    browser_page.add_init_script(KEEP_WHAT_IS_SEEN)
    page = opened(
        browser_page,
        site,
        (200, "<p>first</p>"),
        (200, "<p>second</p>"),
        (200, "<p data-live-done>third</p>"),
        (200, "<p>never asked for</p>"),
    )
    page.get_by_text("third").wait_for(timeout=10_000)
    assert page.evaluate("seen")[-2:] == ["second", "third"]
    page.wait_for_timeout(600)
    assert site.asked == 3
    assert page.locator("[data-live]").inner_text() == "third"


def test_changes_are_announced_politely(site, browser_page):
    page = opened(browser_page, site, (200, "<p data-live-done>done</p>"))
    page.get_by_text("done").wait_for(timeout=10_000)
    assert page.locator("[data-live]").get_attribute("aria-live") == "polite"


def test_trouble_is_waited_out(site, browser_page):
    page = opened(
        browser_page, site, (500, "broken"), (503, "broken"), (200, "<p data-live-done>well again</p>")
    )
    page.get_by_text("well again").wait_for(timeout=10_000)
    assert site.asked == 3


@pytest.mark.parametrize("answer", [(302, ""), (404, "gone")], ids=["signed out", "gone"])
def test_a_refusal_ends_it_and_leaves_the_page_as_it_stands(site, browser_page, answer):
    page = opened(browser_page, site, answer, (200, "<p>never asked for</p>"))
    page.wait_for_timeout(800)
    assert site.asked == 1
    assert page.locator("[data-live]").inner_text() == "first"
