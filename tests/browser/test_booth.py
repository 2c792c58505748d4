"""The booth's own template and script in a real Chromium, under the site's content security policy."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from tests.browser.bench import KEYS
from tests.browser.booth_server import RATE_HZ, BoothServer, copy_of_noise, serving

pytestmark = pytest.mark.needs("chromium")


@pytest.fixture(scope="module")
def sections() -> Iterator[BoothServer]:
    """A small set with sections and names, as a lesson would show it."""
    copies = {key: copy_of_noise(seed, 5 * RATE_HZ) for seed, key in enumerate(KEYS[:2])}
    marked = [
        {"name": "Verse", "start_s": 0.0},
        {"name": "Refrain", "start_s": 2.0},
        {"name": "End", "start_s": 3.5},
    ]
    names = dict(zip(KEYS, ["Reference mix", "Plain sum of the stems"], strict=False))
    with serving(BoothServer(copies, RATE_HZ, marked, names)) as server:
        yield server


def open_booth(page: Page, server: BoothServer, *, healthy: bool = True) -> None:
    """The booth's page, past its caution; what it tells the page around it is kept in `told`."""
    if healthy:
        server.delays_s.clear()
        server.statuses.clear()
    page.goto(f"{server.url}/booth")
    page.evaluate(
        """() => {
          window.told = [];
          window.booth = document.querySelector("[data-booth]");
          for (const name of ["booth:copy", "booth:heard"]) {
            booth.addEventListener(name, ({ detail }) => told.push([name, detail]));
          }
        }"""
    )
    page.get_by_role("button", name="Ready to listen").click()


def status(page: Page) -> Locator:
    """The line that says what plays."""
    return page.locator(".booth-status")


class TestPage:
    def test_it_warns_before_it_plays_and_starts_low(self, page: Page, server: BoothServer) -> None:
        page.goto(f"{server.url}/booth")
        expect(page.get_by_text("This page plays sound")).to_be_visible()
        expect(page.get_by_role("button", name="Play", exact=True)).to_be_hidden()
        page.get_by_role("button", name="Ready to listen").click()
        expect(page.get_by_text("This page plays sound")).to_be_hidden()
        expect(page.get_by_role("button", name="Play", exact=True)).to_be_focused()
        expect(page.get_by_role("slider", name="Gain, all copies")).to_have_value("-20")

    def test_buttons_switch_and_tell_the_page(self, page: Page, server: BoothServer) -> None:
        open_booth(page, server)
        page.get_by_role("button", name="Play", exact=True).click()
        expect(status(page)).to_contain_text("Playing, copy A.")
        page.get_by_role("button", name="C", exact=True).click()
        expect(page.get_by_role("button", name="C", exact=True)).to_have_attribute("aria-pressed", "true")
        expect(page.get_by_role("button", name="A", exact=True)).to_have_attribute("aria-pressed", "false")
        expect(status(page)).to_contain_text("Playing, copy C.")
        page.evaluate("booth.dispatchEvent(new CustomEvent('booth:choose', { detail: { key: 'm3xd' } }))")
        expect(status(page)).to_contain_text("Playing, copy B.")
        page.wait_for_timeout(1500)
        told = page.evaluate("told")
        heard = [
            detail["seconds"] for name, detail in told if name == "booth:heard" and detail["key"] == KEYS[1]
        ]
        assert [detail["key"] for name, detail in told if name == "booth:copy"] == [KEYS[2], KEYS[1]]
        assert heard
        assert 1 <= heard[-1] < 3
        page.get_by_role("button", name="Pause", exact=True).click()
        expect(status(page)).to_contain_text("Stopped, copy B.")

    def test_a_copy_chosen_by_the_page_beforehand_comes_first(self, page: Page, server: BoothServer) -> None:
        page.goto(f"{server.url}/booth")
        page.evaluate(
            """document.querySelector("[data-booth]")
              .dispatchEvent(new CustomEvent("booth:choose", { detail: { key: "t5wb" } }))"""
        )
        page.get_by_role("button", name="Ready to listen").click()
        expect(status(page)).to_contain_text("Stopped, copy D.")

    def test_keys_play_seek_and_switch_but_rest_in_a_field(self, page: Page, server: BoothServer) -> None:
        open_booth(page, server)
        page.keyboard.press("1")
        expect(status(page)).to_contain_text("Playing")
        page.keyboard.press("d")
        expect(status(page)).to_contain_text("copy D")
        page.keyboard.press("3")
        page.keyboard.press("3")
        expect(page.locator("[data-booth-position]")).to_have_text(re.compile(r"0:1\d\."))
        page.keyboard.press("1")
        expect(status(page)).to_contain_text("Stopped")
        place = page.inner_text("[data-booth-position]")
        page.locator("#field").click()
        page.keyboard.type("a 12")
        assert page.locator("#field").input_value() == "a 12"
        assert page.inner_text("[data-booth-position]") == place
        expect(status(page)).to_contain_text("Stopped, copy D.")

    def test_keys_can_be_switched_off_and_stay_off(self, page: Page, server: BoothServer) -> None:
        open_booth(page, server)
        page.get_by_text("Keys", exact=True).click()
        page.get_by_label("Use these keys on this page").uncheck()
        for _ in range(2):
            page.keyboard.press("d")
            page.keyboard.press("3")
            expect(status(page)).to_contain_text("Stopped, copy A.")
            assert page.inner_text("[data-booth-position]") == "0:00.0"
            open_booth(page, server)

    def test_a_section_is_found_and_looped(self, page: Page, sections: BoothServer) -> None:
        open_booth(page, sections)
        page.get_by_role("button", name="Refrain").click()
        assert page.inner_text("[data-booth-position]") == "0:02.0"
        page.get_by_role("button", name="Loop this section").click()
        expect(page.locator("[data-booth-loop]")).to_have_text("Loop 0:02.0 to 0:03.5")
        page.get_by_role("button", name="Play", exact=True).click()
        page.wait_for_timeout(2500)
        assert "0:02.0" <= page.inner_text("[data-booth-position]") < "0:03.5"
        page.get_by_role("button", name="End the loop").click()
        expect(page.locator("[data-booth-position]")).to_have_text(re.compile(r"0:04\."))

    def test_marks_too_close_for_a_loop_are_refused_in_words(self, page: Page, server: BoothServer) -> None:
        open_booth(page, server)
        page.get_by_role("button", name="Loop from here").click()
        page.get_by_role("button", name="Loop to here").click()
        expect(status(page)).to_contain_text("at least half a second")

    def test_the_noise_stops_the_copies_and_the_copies_stop_the_noise(
        self, page: Page, server: BoothServer
    ) -> None:
        open_booth(page, server)
        page.get_by_role("button", name="Play", exact=True).click()
        expect(status(page)).to_contain_text("Playing")
        page.get_by_role("button", name="Play noise to set the level").click()
        expect(status(page)).to_contain_text("Stopped")
        expect(page.get_by_role("button", name="Stop the noise")).to_be_visible()
        page.get_by_role("button", name="Play", exact=True).click()
        expect(page.get_by_role("button", name="Play noise to set the level")).to_be_visible()

    def test_a_copy_that_is_late_is_marked_while_the_old_one_plays(
        self, page: Page, server: BoothServer
    ) -> None:
        open_booth(page, server)
        page.get_by_role("button", name="Play", exact=True).click()
        expect(status(page)).to_contain_text("Playing")
        server.delays_s.update({(KEYS[3], segment): 1.5 for segment in range(15)})
        page.get_by_role("slider", name="Position").fill("20")
        expect(page.locator("[data-booth-position]")).to_have_text(re.compile(r"0:2\d\.[3-9]"))
        page.get_by_role("button", name="D", exact=True).click()
        expect(page.locator("[data-key=t5wb]")).to_have_attribute("data-waiting", "")
        expect(status(page)).to_contain_text("Playing, copy A.")
        expect(status(page)).to_contain_text("Playing, copy D.")
        expect(page.locator("[data-key=t5wb]")).not_to_have_attribute("data-waiting", "")

    def test_a_copy_that_cannot_be_had_is_told_in_words(self, chromium: Browser, server: BoothServer) -> None:
        page = chromium.new_page()  # a page of its own: the browser logs each refusal as an error
        server.delays_s.clear()
        server.statuses.update({(KEYS[0], segment): 403 for segment in range(15)})
        open_booth(page, server, healthy=False)
        page.get_by_role("button", name="Play", exact=True).click()
        expect(status(page)).to_contain_text("not open to you any more")
        expect(status(page)).to_contain_text("Waiting for sound")
        page.close()

    def test_names_are_shown_when_given_and_a_blind_set_has_none(
        self, page: Page, server: BoothServer, sections: BoothServer
    ) -> None:
        open_booth(page, sections)
        expect(page.get_by_role("button", name="A Reference mix")).to_be_visible()
        open_booth(page, server)
        assert page.get_by_role("group", name="Listening copies").inner_text().split() == ["A", "B", "C", "D"]

    @pytest.mark.parametrize("width", [360, 1280])
    def test_nothing_runs_off_the_page_and_targets_are_large(
        self, page: Page, sections: BoothServer, width: int
    ) -> None:
        page.set_viewport_size({"width": width, "height": 800})
        open_booth(page, sections)
        page.evaluate("document.querySelectorAll('details').forEach((one) => (one.open = true))")
        page.keyboard.press("0")
        page.get_by_role("button", name="Compare a few").click()
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        small = page.evaluate(
            """[...document.querySelectorAll(".booth :is(button, input, summary)")].filter((part) => {
              const { width, height } = part.getBoundingClientRect();
              const label = part.closest("label")?.getBoundingClientRect();
              return width > 0 && Math.min(height, width) < 44 && !(label?.height >= 44);
            }).map((part) => part.outerHTML)"""
        )
        assert small == []  # WCAG 2.2, 2.5.5 target size (enhanced): 44 by 44 CSS pixels


class TestAnotherRate:
    def test_the_page_says_so(self, page: Page, sections: BoothServer) -> None:
        page.add_init_script(
            """window.AudioContext = class extends AudioContext {
              constructor(options) {
                if (options.sampleRate) throw new DOMException("no such rate here", "NotSupportedError");
                super({ sampleRate: 44100 });
              }
            };"""
        )
        open_booth(page, sections)
        expect(page.get_by_text("This browser plays at 44.1 kHz; the copies are 48 kHz.")).to_be_visible()
        page.get_by_role("button", name="Play", exact=True).click()
        expect(status(page)).to_contain_text("Playing, copy A.")
        expect(page.locator("[data-booth-length]")).to_have_text("0:05.0")
