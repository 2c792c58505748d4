"""A headless Chromium for the tests of pages and scripts."""

from __future__ import annotations

import shutil
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

CHROMIUM_FLAGS = [
    "--no-sandbox",
    "--autoplay-policy=no-user-gesture-required",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """One browser for the whole run."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=CHROMIUM_FLAGS)
        yield browser
        browser.close()


@pytest.fixture
def page(chromium: Browser) -> Iterator[Page]:
    """A fresh page at 1280 px; what it logs as an error or throws fails the test."""
    context = chromium.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda message: faults.append(message.text) if message.type == "error" else None)
    page.faults = faults  # type: ignore[attr-defined]  # a test that provokes one takes it out
    yield page
    context.close()
    assert faults == []
