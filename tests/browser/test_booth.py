"""The booth in a real Chromium: what leaves the player is compared sample by sample with the copies' own PCM.

Sources: W3C Web Audio API (https://www.w3.org/TR/webaudio/), AudioBufferSourceNode.start and
AudioParam.linearRampToValueAtTime, whose formula gives the mix expected inside a change-over.
"""

from __future__ import annotations

import base64
import sys
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from playwright.sync_api import Page

from tests.browser.booth_server import RATE_HZ, BoothServer, copy_of_noise, serving

pytestmark = pytest.mark.needs("chromium")

EXACT = 1e-6  # the largest error that counts as the same sample; 24-bit steps are 1.2e-7
KEYS = ["q7k2", "m3xd", "z9fa", "t5wb"]


@pytest.fixture(scope="module")
def server() -> Iterator[BoothServer]:
    copies = {key: copy_of_noise(seed, 30 * RATE_HZ) for seed, key in enumerate(KEYS)}
    with serving(BoothServer(copies, segment_frames=2 * RATE_HZ)) as server:
        yield server


@pytest.fixture(scope="module")
def short_segments() -> Iterator[BoothServer]:
    """Half-second segments, for many joins in little time, and a last segment shorter than the rest."""
    copies = {key: copy_of_noise(seed, 5 * RATE_HZ + 1234) for seed, key in enumerate(KEYS[:2])}
    with serving(BoothServer(copies, segment_frames=RATE_HZ // 2)) as server:
        yield server


def open_bench(page: Page, server: BoothServer) -> dict[str, float]:
    server.delays_s.clear()
    server.statuses.clear()
    page.goto(f"{server.url}/page/bench.html")
    page.wait_for_function("window.bench !== undefined")
    return page.evaluate("([set, rate]) => bench.open(set, rate)", [server.booth_set, RATE_HZ])


def recorded(page: Page) -> tuple[int, NDArray[np.float32], int]:
    """First context frame, audio of shape (frames, 2), frames lost by the recorder."""
    record = page.evaluate("bench.record()")
    sides = [np.frombuffer(base64.b64decode(record[side]), dtype=np.float32) for side in ("left", "right")]
    return record["first"], np.stack(sides, axis=1), record["lost"]


def expected(runs: list[dict[str, Any]], server: BoothServer, first: int, frames: int) -> NDArray[np.float64]:
    """What the log of runs amounts to, from the source PCM and the definition of a linear fade alone.

    Shape (frames, 2), from context frame `first` on; silence before the first run and past the copies' end.
    """
    out = np.zeros((frames, 2))
    for run in those_that_sounded(runs):
        at = run["contextFrame"] - first
        if at >= frames:
            break
        sound = np.zeros((frames - at, 2))
        if run["key"] is not None:
            part = server.copies[run["key"]][run["setFrame"] : run["setFrame"] + frames - at]
            sound[: len(part)] = part
        rise = np.ones((frames - at, 1))
        if run["fade"] > 0:
            rise[: run["fade"], 0] = (np.arange(run["fade"]) / run["fade"])[: frames - at]
        out[at:] = out[at:] * (1 - rise) + sound * rise
    return out


def largest_error(page: Page, server: BoothServer) -> float:
    """The largest difference between what was recorded and what the log of runs amounts to.

    A busy browser skips a recorder's turn. Such frames are stamped as missing and left out; a record that
    misses more than one in fifty is no evidence.
    """
    first, audio, lost = recorded(page)
    runs = page.evaluate("bench.log.run")
    assert 0 <= lost < 0.02 * len(audio)
    assert runs[0]["contextFrame"] > first
    assert any(run["contextFrame"] - first < len(audio) for run in runs[1:] or runs)
    return float(np.nanmax(np.abs(audio - expected(runs, server, first, len(audio)))))


def those_that_sounded(runs: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Without the runs that were scheduled ahead and then replaced by one that begins earlier."""
    kept: list[dict[str, Any]] = []
    for run in runs:
        kept = [earlier for earlier in kept if earlier["contextFrame"] < run["contextFrame"]] + [run]
    return kept


def tell(text: str) -> None:
    print(text, file=sys.stderr)


class TestJoins:
    def test_a_copy_plays_through_exactly_as_it_is(self, page: Page, short_segments: BoothServer) -> None:
        open_bench(page, short_segments)
        page.evaluate("bench.player.play()")
        page.evaluate(
            "bench.until((b) => b.log.state.at(-1).state === 'stopped').then(() => bench.wait(300))"
        )
        error = largest_error(page, short_segments)
        tell(f"11 segments end to end, with silence before and after: largest error {error:.1e}")
        (run,) = page.evaluate("bench.log.run")
        assert (run["setFrame"], run["fade"]) == (0, 0)
        assert error <= EXACT
        assert page.evaluate("bench.player.frame") == len(short_segments.copies[KEYS[0]])


class TestSwitching:
    def test_every_switch_is_exact_and_keeps_the_place(self, page: Page, server: BoothServer) -> None:
        latency = open_bench(page, server)
        waits = page.evaluate(
            """async (keys) => {
              const waits = [];
              bench.player.play();
              await bench.until((b) => b.player.state === "playing");
              await bench.wait(1500);
              for (let n = 1; n <= 60; n += 1) {
                waits.push(await bench.switchTo(keys[n % keys.length]));
                await bench.wait(60 + (n * 37) % 200);
              }
              await bench.wait(500);
              return waits;
            }""",
            KEYS,
        )
        error = largest_error(page, server)
        runs = page.evaluate("bench.log.run")
        ms = np.array(waits) / RATE_HZ * 1000
        tell(
            f"{len(waits)} warm switches, press to change-over: p50 {np.percentile(ms, 50):.1f} ms, "
            f"p95 {np.percentile(ms, 95):.1f} ms, max {ms.max():.1f} ms (the device adds "
            f"{latency['outputLatency'] * 1000:.0f} ms); largest error {error:.1e}"
        )
        assert [run["key"] for run in runs] == [KEYS[n % 4] for n in range(61)]
        assert len({run["setFrame"] - run["contextFrame"] for run in runs}) == 1
        assert error <= EXACT

    def test_the_old_copy_plays_on_while_the_new_one_is_late(self, page: Page, server: BoothServer) -> None:
        open_bench(page, server)
        server.delays_s.update({(KEYS[1], segment): 1.5 for segment in range(15)})
        page.evaluate("bench.player.seek(8 * 48000)")
        late = page.evaluate(
            """async (key) => {
              bench.player.play();
              await bench.until((b) => b.player.state === "playing");
              await bench.wait(200);
              const frames = await bench.switchTo(key);
              await bench.wait(300);
              return frames;
            }""",
            KEYS[1],
        )
        error = largest_error(page, server)
        runs = page.evaluate("bench.log.run")
        tell(f"a switch to a late copy came after {late / RATE_HZ * 1000:.0f} ms; largest error {error:.1e}")
        assert late > RATE_HZ // 2
        assert [run["key"] for run in runs] == KEYS[:2]
        assert runs[0]["setFrame"] - runs[0]["contextFrame"] == runs[1]["setFrame"] - runs[1]["contextFrame"]
        assert [wish["key"] for wish in page.evaluate("bench.log.wish")][-2:] == [KEYS[1], None]
        assert error <= EXACT  # so the old copy sounded throughout, without a hole

    def test_only_the_last_of_several_hasty_choices_is_heard(self, page: Page, server: BoothServer) -> None:
        open_bench(page, server)
        page.evaluate(
            """async (keys) => {
              bench.player.play();
              await bench.until((b) => b.player.state === "playing");
              await bench.wait(800);
              keys.forEach((key) => bench.player.choose(key));
              await bench.wait(400);
            }""",
            [KEYS[1], KEYS[2], KEYS[3]],
        )
        assert largest_error(page, server) <= EXACT
        assert page.evaluate("bench.log.run").pop()["key"] == KEYS[3]
        assert page.evaluate("bench.player.key") == KEYS[3]


class TestPlaces:
    def test_a_loop_turns_at_its_frame_and_keeps_turning_through_a_switch(
        self, page: Page, server: BoothServer
    ) -> None:
        open_bench(page, server)
        start, end = 5 * RATE_HZ + 1001, 6 * RATE_HZ + 77
        page.evaluate(
            """async ([start, end, key]) => {
              bench.player.setLoop({ start, end });
              bench.player.play();
              await bench.until((b) => b.log.run.length > 0);
              await bench.wait(2600);
              await bench.switchTo(key);
              await bench.wait(2900);
            }""",
            [start, end, KEYS[2]],
        )
        now = page.evaluate("bench.now()")
        error = largest_error(page, server)
        runs = those_that_sounded(page.evaluate("bench.log.run"))
        turns = [
            after["contextFrame"] - before["contextFrame"] + before["setFrame"]
            for before, after in pairwise(runs)
            if after["key"] == before["key"]
        ]
        tell(f"{len(turns)} turns of a loop, one switch between: largest error {error:.1e}")
        assert len(turns) >= 5
        assert set(turns) == {end}
        assert {run["key"] for run in runs} == {KEYS[0], KEYS[2]}
        assert now > runs[0]["contextFrame"] + 5 * (end - start)
        assert error <= EXACT

    def test_seeks_pauses_and_goes_on_exactly_where_it_says(self, page: Page, server: BoothServer) -> None:
        open_bench(page, server)
        paused = page.evaluate(
            """async () => {
              const { player } = bench;
              player.play();
              await bench.until((b) => b.player.state === "playing");
              await bench.wait(300);
              player.seek(20 * 48000 + 17);
              await bench.until((b) => b.log.run.length === 2);
              await bench.wait(300);
              player.pause();
              const paused = player.frame;
              await bench.wait(300);
              player.play();
              await bench.until((b) => b.log.run.length === 4);
              await bench.wait(300);
              return paused;
            }"""
        )
        runs = page.evaluate("bench.log.run")
        assert [run["key"] for run in runs] == [KEYS[0], KEYS[0], None, KEYS[0]]
        assert [run["setFrame"] for run in runs[1:]] == [20 * RATE_HZ + 17, paused, paused]
        assert 0 < paused - (20 * RATE_HZ + 17) < RATE_HZ
        assert largest_error(page, server) <= EXACT

    def test_a_late_segment_of_the_heard_copy_loses_nothing(
        self, page: Page, short_segments: BoothServer
    ) -> None:
        open_bench(page, short_segments)
        page.evaluate("bench.wait(300)")
        short_segments.delays_s[(KEYS[0], 6)] = 4.5
        page.evaluate("bench.player.play()")
        page.evaluate("bench.until((b) => b.log.run.length === 3).then(() => bench.wait(500))")
        states = [state["state"] for state in page.evaluate("bench.log.state")]
        _, silence, second = page.evaluate("bench.log.run")
        assert states == ["waiting", "playing", "waiting", "playing"]
        assert silence["key"] is None
        assert silence["setFrame"] == second["setFrame"]
        assert 6 * RATE_HZ // 2 - RATE_HZ // 10 < second["setFrame"] <= 6 * RATE_HZ // 2
        assert second["contextFrame"] - silence["contextFrame"] > RATE_HZ // 10
        assert largest_error(page, short_segments) <= EXACT


class TestListenedSeconds:
    def test_it_counts_the_seconds_of_each_copy(self, page: Page, server: BoothServer) -> None:
        open_bench(page, server)
        page.evaluate(
            """async (key) => {
              bench.player.play();
              await bench.until((b) => b.player.state === "playing");
              await bench.wait(1000);
              await bench.switchTo(key);
              await bench.wait(500);
              bench.player.pause();
            }""",
            KEYS[1],
        )
        first, second, _ = page.evaluate("bench.log.run")
        stop = page.evaluate("bench.log.heard.at(-1).now")
        heard = {event["key"]: event["seconds"] for event in page.evaluate("bench.log.heard")}
        fade_s = 0.008
        assert heard[KEYS[0]] == pytest.approx(
            (second["contextFrame"] - first["contextFrame"]) / RATE_HZ + fade_s
        )
        assert heard[KEYS[1]] == pytest.approx((stop - second["contextFrame"]) / RATE_HZ)
