"""The page on which any browser checks itself, in this one, whole and with a fault put in."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from tests.browser.bench import be_busy, tell
from tests.browser.booth_server import BoothServer

pytestmark = pytest.mark.needs("chromium")


class TestSelfTest:
    def test_it_passes_here(self, page: Page, server: BoothServer) -> None:
        page.goto(f"{server.url}/selftest")
        page.get_by_role("button", name="Run the self-test").click()
        expect(page.get_by_role("status")).to_contain_text(re.compile("Pass|Fail"), timeout=30_000)
        tell(page.locator("[data-selftest-findings]").inner_text())
        expect(page.get_by_role("status")).to_contain_text("✓ Pass")

    def test_it_says_so_when_the_machine_is_too_busy(self, page: Page, server: BoothServer) -> None:
        page.goto(f"{server.url}/selftest")
        be_busy(page, "AudioParam", "setValueCurveAtTime", [2], ms=100)  # in the midst of a change-over
        page.get_by_role("button", name="Run the self-test").click()
        expect(page.get_by_role("status")).to_contain_text("✗ Fail", timeout=30_000)
        expect(page.locator("[data-selftest-findings]")).to_contain_text(re.compile("✗ Record.*too busy"))

    @pytest.mark.parametrize(
        "fault",
        [
            pytest.param("when + (starts % 3 ? 0 : 1 / 48000), offset", id="every third start a frame late"),
            pytest.param("when + 0.25 / 48000, offset", id="everything a quarter of a frame late"),
            pytest.param("when, offset + (starts % 3 ? 0 : 0.001)", id="every third start a millisecond on"),
        ],
    )
    def test_it_fails_when_the_player_is_at_fault(self, page: Page, server: BoothServer, fault: str) -> None:
        page.add_init_script(
            f"""let starts = 0;
            const start = AudioBufferSourceNode.prototype.start;
            AudioBufferSourceNode.prototype.start = function (when, offset) {{
              if (!this.loop) starts += 1; // the clock of the recorder loops, and is left alone
              return this.loop ? start.call(this, when, offset) : start.call(this, {fault});
            }};"""
        )
        page.goto(f"{server.url}/selftest")
        page.get_by_role("button", name="Run the self-test").click()
        expect(page.get_by_role("status")).to_contain_text(re.compile("Pass|Fail"), timeout=30_000)
        tell(page.locator("[data-selftest-findings]").inner_text())
        expect(page.get_by_role("status")).to_contain_text("✗ Fail")
        expect(page.locator("[data-selftest-findings]")).to_contain_text("✗ Playing")
