"""The booth in a real Chromium: what leaves the player is compared sample by sample with the copies' own PCM.

Sources: W3C Web Audio API (https://www.w3.org/TR/webaudio/), AudioBufferSourceNode.start and
AudioParam.linearRampToValueAtTime, whose formula gives the mix expected inside a change-over.
"""

from __future__ import annotations

import base64
import sys
from collections.abc import Iterator
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
    for run in runs:
        source = server.copies[run["key"]].astype(np.float64)
        at = run["contextFrame"] - first
        sound = np.zeros((frames - at, 2))
        part = source[run["setFrame"] : run["setFrame"] + frames - at]
        sound[: len(part)] = part
        rise = np.ones((frames - at, 1))
        if run["fade"] > 0:
            rise[: run["fade"], 0] = (np.arange(run["fade"]) / run["fade"])[: frames - at]
        out[at:] = out[at:] * (1 - rise) + sound * rise
    return out


def largest_error(page: Page, server: BoothServer, until: int | None = None) -> float:
    """The largest difference between record and log of runs, up to a context frame or the record's end.

    A busy browser skips a recorder's turn. Such frames are stamped as missing and left out; a record that
    misses more than one in fifty is no evidence.
    """
    first, audio, lost = recorded(page)
    runs = page.evaluate("bench.log.run")
    end = len(audio) if until is None else until - first
    assert 0 <= lost < 0.02 * len(audio)
    assert runs[0]["contextFrame"] > first
    assert runs[-1]["contextFrame"] - first < end <= len(audio)
    return float(np.nanmax(np.abs(audio[:end] - expected(runs, server, first, end))))


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
