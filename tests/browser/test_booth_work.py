"""What makes hours in the booth bearable: few copies, places, marks, own keys, rest, a line that drops.

The page is the booth's own template and script under the site's content security policy.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Iterator

import numpy as np
import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from tests.browser.axe import violations
from tests.browser.bench import heard_runs, largest_error, open_bench, tell
from tests.browser.booth_server import RATE_HZ, BoothServer, copy_of_noise, serving

pytestmark = pytest.mark.needs("chromium")

KEYS = ["q7k2", "m3xd", "z9fa", "t5wb"]
SECTIONS = [
    {"name": "Verse", "start_s": 0.0},
    {"name": "Refrain", "start_s": 4.0},
    {"name": "End", "start_s": 8.0},
]


@pytest.fixture(scope="module")
def server() -> Iterator[BoothServer]:
    """Four copies of twelve seconds, blind, with sections."""
    copies = {key: copy_of_noise(seed, 12 * RATE_HZ) for seed, key in enumerate(KEYS)}
    with serving(BoothServer(copies, RATE_HZ, SECTIONS)) as server:
        yield server


@pytest.fixture
def booth(page: Page, server: BoothServer) -> Page:
    """The booth's page, past its caution, in a browser that remembers nothing."""
    server.extras.clear()
    server.delays_s.clear()
    return opened(page, server)


def opened(page: Page, server: BoothServer) -> Page:
    page.goto(f"{server.url}/booth")
    page.get_by_role("button", name="Ready to listen").click()
    return page


def status(page: Page) -> Locator:
    """The line that says what plays."""
    return page.locator(".booth-status")


def position_s(page: Page) -> float:
    minutes, seconds = page.inner_text("[data-booth-position]").split(":")
    return 60 * int(minutes) + float(seconds)


def press(page: Page, act: str) -> None:
    page.locator(f"[data-booth-do={act}]").click()


def letters(page: Page) -> list[str]:
    """The copies that are in sight."""
    return [one.inner_text() for one in page.locator(".booth-letter").all() if one.is_visible()]


class TestCopies:
    def test_next_and_before_go_round_the_ends(self, booth: Page) -> None:
        for act, letter in (
            ("copy-after", "B"),
            ("copy-before", "A"),
            ("copy-before", "D"),
            ("copy-after", "A"),
        ):
            press(booth, act)
            expect(status(booth)).to_contain_text(f"copy {letter}.")

    def test_the_one_heard_before_comes_back(self, booth: Page) -> None:
        for key in ("c", "b", "8"):
            booth.keyboard.press(key)
        expect(status(booth)).to_contain_text("copy C.")
        booth.keyboard.press("8")
        expect(status(booth)).to_contain_text("copy B.")

    def test_a_few_are_compared_and_remembered(self, booth: Page, server: BoothServer) -> None:
        booth.get_by_role("button", name="Compare a few").click()
        booth.get_by_label("Compare copy B").check()
        booth.get_by_label("Compare copy D").check()
        expect(status(booth)).to_contain_text("Compared: B, D.")
        booth.get_by_role("button", name="Show the few I ticked").click()
        assert letters(booth) == ["A", "B", "D"]  # A is the one that is heard
        for letter in "BDB":
            press(booth, "copy-after")
            expect(status(booth)).to_contain_text(f"copy {letter}.")
        assert letters(booth) == ["B", "D"]
        opened(booth, server)
        assert letters(booth) == ["A", "B", "D"]
        booth.get_by_role("button", name="Compare all").click()
        assert letters(booth) == ["A", "B", "C", "D"]

    def test_a_copy_outside_the_few_can_still_be_heard(self, booth: Page) -> None:
        booth.keyboard.press(";")
        expect(status(booth)).to_contain_text("Compared: A.")
        booth.keyboard.press("c")
        expect(status(booth)).to_contain_text("copy C.")
        assert letters(booth) == ["A", "C"]


class TestPlaces:
    def test_sections_and_marks_are_jumped_by(self, booth: Page) -> None:
        booth.get_by_role("slider", name="Position").fill("6")
        press(booth, "mark")
        expect(status(booth)).to_contain_text("Marked at 0:06.0.")
        places = []
        for act in ("place-before", "place-before", *(["place-after"] * 4)):
            press(booth, act)
            places.append(position_s(booth))
        assert places == [4, 0, 4, 6, 8, 8]
        expect(status(booth)).to_contain_text("no section or mark after")

    def test_a_loop_goes_from_mark_to_mark(self, booth: Page) -> None:
        for place in ("5", "7.5"):
            booth.get_by_role("slider", name="Position").fill(place)
            press(booth, "mark")
        booth.get_by_role("slider", name="Position").fill("6")
        press(booth, "loop-section")
        expect(booth.locator("[data-booth-loop]")).to_have_text("Loop 0:05.0 to 0:07.5")

    def test_marks_stay_until_they_are_removed(self, booth: Page, server: BoothServer) -> None:
        booth.get_by_role("slider", name="Position").fill("3.5")
        press(booth, "mark")
        opened(booth, server)
        booth.get_by_role("button", name="0:03.5", exact=True).click()
        assert position_s(booth) == 3.5
        booth.get_by_role("button", name="Remove the mark at 0:03.5").click()
        expect(booth.locator("[data-booth-mark-line]")).to_be_hidden()
        opened(booth, server)
        expect(booth.locator("[data-booth-mark-line]")).to_be_hidden()

    def test_it_leads_back_to_where_this_copy_was_left(self, booth: Page) -> None:
        press(booth, "place-left")
        expect(status(booth)).to_contain_text("You have not left this copy before.")
        booth.get_by_role("slider", name="Position").fill("2")
        press(booth, "play")
        booth.wait_for_timeout(700)
        before_s = position_s(booth)
        booth.keyboard.press("b")
        expect(status(booth)).to_contain_text("copy B.")
        after_s = position_s(booth)
        press(booth, "play")
        booth.get_by_role("slider", name="Position").fill("9")
        booth.keyboard.press("a")
        press(booth, "place-left")
        assert before_s - 0.1 <= position_s(booth) <= after_s + 0.1

    def test_the_map_leads_to_where_it_is_touched(self, booth: Page) -> None:
        box = booth.locator("[data-booth-map]").bounding_box()
        assert box is not None
        booth.mouse.click(box["x"] + 0.75 * box["width"], box["y"] + 10)
        assert position_s(booth) == pytest.approx(9, abs=0.1)


class TestWhatWasHeard:
    def test_it_is_drawn_and_said_for_each_copy(self, booth: Page) -> None:
        button = booth.get_by_role("button", name="A", exact=True)
        expect(button).to_have_accessible_description("not heard yet")
        press(booth, "play")
        expect(status(booth)).to_contain_text("Playing")
        booth.wait_for_timeout(1_600)
        press(booth, "play")
        expect(status(booth)).to_contain_text("Stopped")
        heard_s = position_s(booth)
        expect(button).to_have_accessible_description(re.compile(r"^heard 0:0[12] of 0:12$"))
        expect(booth.get_by_text(re.compile(r"Copy A: heard 0:0[12] of 0:12"))).to_be_visible()
        # The strip is 1000 wide for 12 s: 1 s of music is 83.3 of it.
        strip = booth.locator(".booth-copy").first.locator("rect")
        assert float(strip.get_attribute("width") or 0) == pytest.approx(heard_s / 12 * 1000, abs=10)
        expect(booth.locator(".booth-copy").nth(1).locator("rect")).to_have_count(0)

    def test_a_copy_says_so_when_one_switches_to_it_also_at_the_next_visit(
        self, booth: Page, server: BoothServer
    ) -> None:
        press(booth, "play")
        booth.wait_for_timeout(1_500)
        booth.keyboard.press("b")
        expect(status(booth)).to_contain_text("Playing, copy B. Not heard yet.")
        press(booth, "play")
        opened(booth, server)
        booth.keyboard.press("b")
        booth.keyboard.press("a")
        expect(status(booth)).to_contain_text(re.compile(r"copy A\.\s+Heard 0:0\d of 0:12\."))


class TestMap:
    def test_an_outline_is_drawn_only_where_the_set_has_one(self, booth: Page, server: BoothServer) -> None:
        expect(booth.locator(".booth-map-outline path")).to_have_count(0)
        outline = base64.b64encode(bytes([0, 255, 128, 0])).decode()
        server.extras[KEYS[0]] = {"map": outline}
        opened(booth, server)
        path = booth.locator(".booth-map-outline path").get_attribute("d") or ""
        # Four columns, each 250 wide, around the middle of 39 above the ribbon; full scale reaches the edge.
        upper = [tuple(map(float, corner.split())) for corner in path[1:-1].split("L")][:4]
        assert upper == [(0, 19), (250, 0), (500, pytest.approx(19.5 * (1 - 128 / 255), abs=0.06)), (750, 19)]
        booth.keyboard.press("b")
        expect(booth.locator(".booth-map-outline path")).to_have_count(0)

    def test_a_variant_that_goes_too_far_on_purpose_says_so(self, booth: Page, server: BoothServer) -> None:
        server.extras[KEYS[2]] = {"exaggerated": True, "name": "Far too much"}
        opened(booth, server)
        button = booth.get_by_role("button", name="C Far too much exaggerated on purpose")
        expect(button).to_be_visible()


class TestKeys:
    def test_another_key_is_taken_shown_and_kept(self, booth: Page, server: BoothServer) -> None:
        booth.get_by_text("Keys", exact=True).click()
        booth.get_by_role("button", name="Change the key for: Play or pause").click()
        booth.keyboard.press("2")
        expect(booth.locator("[data-booth-key-words]")).to_contain_text("taken: Back by 5 s")
        booth.keyboard.press("h")
        expect(booth.locator("[data-booth-key-words]")).to_have_text("Play or pause is on the key h now.")
        play = booth.locator("[data-booth-do=play]")
        expect(play).to_have_attribute("aria-keyshortcuts", "h")
        expect(play.locator("kbd")).to_have_text("h")
        opened(booth, server)
        booth.keyboard.press("1")
        expect(status(booth)).to_contain_text("Stopped")
        booth.keyboard.press("h")
        expect(status(booth)).to_contain_text("Playing")
        booth.get_by_text("Keys", exact=True).click()
        booth.get_by_role("button", name="Put all keys back").click()
        expect(play).to_have_attribute("aria-keyshortcuts", "1")

    def test_escape_and_going_away_leave_a_key_as_it_was(self, booth: Page) -> None:
        booth.get_by_text("Keys", exact=True).click()
        for leave in ("Escape", "Tab"):
            booth.get_by_role("button", name="Change the key for: Mark this place").click()
            booth.keyboard.press(leave)
            expect(booth.locator("[data-booth-key-words]")).to_have_text("Left as it was.")
        expect(booth.locator("[data-booth-do=mark]")).to_have_attribute("aria-keyshortcuts", "0")

    def test_a_browsers_own_key_is_no_choice(self, booth: Page) -> None:
        """While another key is awaited, what goes with Ctrl, Alt or Meta still is the browser's."""
        booth.evaluate(
            """() => {
              window.kept = [];
              window.addEventListener("keydown", (event) => kept.push(event.defaultPrevented));
            }"""
        )
        booth.get_by_text("Keys", exact=True).click()
        booth.get_by_role("button", name="Change the key for: Play or pause").click()
        for modifier in ("Control", "Alt", "Meta"):
            booth.keyboard.press(f"{modifier}+y")
        expect(booth.locator("[data-booth-key-words]")).to_contain_text("Press the new key")
        assert booth.evaluate("kept") == [False] * 6
        booth.keyboard.press("y")
        expect(booth.locator("[data-booth-key-words]")).to_have_text("Play or pause is on the key y now.")

    def test_browsers_own_keys_do_nothing_here(self, booth: Page) -> None:
        booth.evaluate("document.activeElement.blur()")
        for key in ("Space", "ArrowRight", "Enter", "Escape", "Home", "PageDown", "Control+1", "Alt+b", "/"):
            booth.keyboard.press(key)
        expect(status(booth)).to_contain_text("Stopped, copy A.")
        assert position_s(booth) == 0

    def test_every_act_has_a_button_and_every_button_of_an_act_a_key(self, booth: Page) -> None:
        acts = booth.evaluate(
            "import('/static/listening/keys.js').then(({ ACTS }) => ACTS.map(({ act }) => act))"
        )
        buttons = booth.evaluate(
            "[...document.querySelectorAll('[data-booth-do]')].map((one) => one.dataset.boothDo)"
        )
        # "pick" is the boxes of "Compare a few"; a note is only where the page takes notes.
        assert sorted(buttons) == sorted(set(acts) - {"pick", "note"})
        assert booth.locator("[data-booth-key-lines] tr").count() == len(acts) - 1


class TestRest:
    def test_it_is_called_to_mind_when_the_listener_wants_it(self, booth: Page, server: BoothServer) -> None:
        booth.get_by_text("Setting the level, and resting").click()
        booth.get_by_label("Remind me of a rest after").fill("10")
        booth.keyboard.press("Tab")
        kept = booth.evaluate("JSON.parse(localStorage.getItem('booth rest'))")
        assert kept["after_min"] == 10
        # Ten minutes less a second are behind us, says what the browser keeps.
        booth.evaluate(
            "localStorage.setItem('booth rest', JSON.stringify("
            "{ after_min: 10, listened_s: 599, at_s: Date.now() / 1000 }))"
        )
        opened(booth, server)
        press(booth, "play")
        expect(booth.locator("[data-booth-rest]")).to_contain_text("You have listened for 10 minutes.")
        expect(status(booth)).to_contain_text("Rest your ears")
        booth.get_by_role("button", name="Put this away").click()
        expect(booth.locator("[data-booth-rest]")).to_be_hidden()


class TestLine:
    def test_it_plays_on_from_what_it_has_and_fetches_the_rest_by_itself(
        self, chromium: Browser, server: BoothServer
    ) -> None:
        context = chromium.new_context()  # of its own: the browser logs each failed fetch as an error
        booth = opened(context.new_page(), server)
        press(booth, "play")
        expect(status(booth)).to_contain_text("Playing")
        booth.wait_for_timeout(300)
        context.set_offline(True)
        expect(booth.locator("[data-booth-offline]")).to_be_visible()
        booth.keyboard.press("b")  # its next seconds were fetched beforehand
        expect(status(booth)).to_contain_text("Playing, copy B.")
        booth.get_by_role("slider", name="Position").fill("11")  # of this nothing was
        expect(status(booth)).to_contain_text("could not be fetched")
        assert position_s(booth) >= 11
        context.set_offline(False)
        expect(booth.locator("[data-booth-offline]")).to_be_hidden()
        expect(booth.locator("[data-booth-position]")).to_have_text(re.compile(r"0:1[12]\."))
        expect(status(booth)).not_to_contain_text("could not")
        context.close()


SLOW_BYTES_S = 20e6 / 8


class TestSlowLine:
    def test_the_old_copy_plays_on_and_there_is_never_silence(
        self, page: Page, slow_set: BoothServer
    ) -> None:
        """20 Mbit/s and 40 ms, shaped by the browser (Chrome DevTools Protocol, Network domain)."""
        open_bench(page, slow_set)
        line = page.context.new_cdp_session(page)
        line.send("Network.enable")
        line.send(
            "Network.emulateNetworkConditions",
            {
                "offline": False,
                "latency": 40,
                "downloadThroughput": SLOW_BYTES_S,
                "uploadThroughput": SLOW_BYTES_S,
            },
        )
        keys = list(slow_set.copies)
        waits = page.evaluate(
            """async (keys) => {
              const waits = [];
              bench.player.seek(6 * 48000); // nothing of this place is fetched
              bench.player.play();
              await bench.until((b) => b.player.state === "playing");
              for (let n = 1; n < keys.length; n += 1) {
                await bench.wait(150);
                waits.push(await bench.switchTo(keys[(n * 3) % keys.length])); // no neighbour, so cold
              }
              await bench.wait(500);
              return waits;
            }""",
            keys,
        )
        runs = heard_runs(page)
        error = largest_error(page, slow_set)
        ms = np.array(waits) / RATE_HZ * 1000
        tell(
            f"20 Mbit/s: {len(ms)} cold switches, p50 {np.percentile(ms, 50):.0f} ms, max {ms.max():.0f} ms; "
            f"largest error {error:.1e}"
        )
        assert [run["key"] for run in runs][1:] == [keys[(n * 3) % len(keys)] for n in range(1, len(keys))]
        assert None not in [run["key"] for run in runs]  # the player never fell silent
        assert [state["state"] for state in page.evaluate("bench.log.state")] == ["waiting", "playing"]
        assert len({run["setFrame"] - run["contextFrame"] for run in runs}) == 1
        assert ms.max() > 100  # the line was slow
        assert error <= 1e-6


@pytest.fixture(scope="module")
def slow_set() -> Iterator[BoothServer]:
    """Ten copies, more than are all kept ready, in segments of half a megabyte."""
    copies = {f"copy{n}": copy_of_noise(n, 14 * RATE_HZ) for n in range(10)}
    with serving(BoothServer(copies, 2 * RATE_HZ)) as server:
        yield server


class TestForEverybody:
    def test_axe_finds_nothing_to_mend(self, page: Page, server: BoothServer) -> None:
        """axe-core, rules of WCAG 2.0 to 2.2 at A and AA: everything open, a few picked, a mark set."""
        server.extras.clear()
        opened(page, server)
        page.evaluate("document.querySelectorAll('details').forEach((one) => (one.open = true))")
        page.keyboard.press("0")
        page.get_by_role("button", name="Compare a few").click()
        page.get_by_label("Compare copy B").check()
        assert violations(page) == []

    def test_nor_on_the_self_test(self, page: Page, server: BoothServer) -> None:
        page.goto(f"{server.url}/selftest")
        assert violations(page) == []

    def test_axe_would_find_a_fault(self, page: Page, server: BoothServer) -> None:
        opened(page, server)
        page.evaluate(
            "document.querySelector('[data-booth-gain]').closest('label').replaceWith(document.querySelector('[data-booth-gain]'))"
        )
        assert [one.split()[0] for one in violations(page)] == ["label"]

    def test_axe_would_find_what_cannot_be_read_in_the_dark(self, page: Page, server: BoothServer) -> None:
        opened(page, server)
        # The accent of the light look, as one would forget it in a rule of its own: 2 to 1 on dark paper.
        page.evaluate("document.querySelector('.booth-status').style.color = '#1d4f91'")
        assert [one.split(" (")[0] for one in violations(page)] == ["color-contrast in the dark"]
