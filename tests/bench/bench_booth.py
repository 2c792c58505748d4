"""The booth over hours of judging: how quickly it switches, and what it holds in memory, forty copies long.

Run by hand: `.venv/bin/python -m tests.bench.bench_booth [MINUTES]` (default 10). The real player in headless
Chromium over forty copies of five minutes from a local server: a switch about every second, three of four to
a neighbour or back (warm), the fourth to any copy (cold), a seek now and then. Memory is the proportional set
size of the page's process (`/proc/PID/smaps_rollup`). Exit status 1 when a warm switch is too slow (p95 over
60 ms, or one over 150 ms), when the page holds 500 MB, or when it grows.
"""

from __future__ import annotations

import os
import re
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")

from playwright.sync_api import Browser, sync_playwright

from tests.browser.booth_server import RATE_HZ, BoothServer, copy_of_noise, serving
from tests.conftest import CHROMIUM_FLAGS, path_of

COPIES, LENGTH_S, SEGMENT_S = 40, 300, 2
DIFFERENT_S = 30  # the server's segments come round again after this; the page cannot know
WARM_P95_MS, WARM_MAX_MS, MOST_MB = 60.0, 150.0, 500.0
GROWTH_MB = 40.0  # over the second half: less than the swing of the browser's own housekeeping
SEED = 40


class LongSet(BoothServer):
    """Forty copies with few different bytes."""

    @property
    def booth_set(self) -> dict[str, Any]:
        """The set as a page gives it to the booth."""
        found = super().booth_set
        copies = [
            {"key": f"copy{n}", "label": str(n), "name": None, "segments_url": f"/segments/copy{n}/"}
            for n in range(COPIES)
        ]
        return found | {"frames": LENGTH_S * RATE_HZ, "copies": copies}

    def answer(self, path: str) -> tuple[int, str, bytes]:
        """As always, with the segments come round."""
        found = re.fullmatch(r"/segments/copy(\d+)/(\d+)", path)
        if found is None:
            return super().answer(path)
        keys = list(self.segments)
        segments = self.segments[keys[int(found[1]) % len(keys)]]
        return 200, "audio/flac", segments[int(found[2]) % len(segments)]


def megabytes_of_page(browser: Browser) -> float:
    """What the pages' processes hold, shared memory by its share."""
    session = browser.new_browser_cdp_session()
    processes = session.send("SystemInfo.getProcessInfo")["processInfo"]
    session.detach()
    held_kb = 0
    for process in processes:
        if process["type"] == "renderer":
            said = Path(f"/proc/{process['id']}/smaps_rollup").read_text()
            held_kb += int(re.search(r"^Pss:\s+(\d+) kB", said, re.MULTILINE)[1])  # type: ignore[index]
    return held_kb / 1000


def main(minutes: float) -> int:
    """Switch for so long, and print what was found."""
    copies = {f"sound{n}": copy_of_noise(n, DIFFERENT_S * RATE_HZ) for n in range(3)}
    with serving(LongSet(copies, SEGMENT_S * RATE_HZ)) as server, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path_of("chromium"), args=CHROMIUM_FLAGS)
        page = browser.new_page()
        page.goto(f"{server.url}/page/bench.html")
        # The recorder keeps all that it hears, which is a memory of its own: here nothing is recorded.
        page.evaluate("set => bench.open(set, set.rate_hz, { records: false })", server.booth_set)
        page.evaluate("bench.player.play()")
        page.evaluate("bench.until((b) => b.player.state === 'playing')")
        rng = np.random.default_rng(SEED)
        waits_ms: dict[str, list[float]] = {"warm": [], "cold": []}
        held: list[tuple[float, float]] = []
        at, began_s = 0, time.monotonic()
        while (now_s := time.monotonic() - began_s) < 60 * minutes:
            if not held or now_s - held[-1][0] >= 10:
                held.append((now_s, megabytes_of_page(browser)))
                print(f"{now_s:5.0f} s: {held[-1][1]:.0f} MB", flush=True)
                page.evaluate(f"bench.player.seek({int(rng.integers(0, LENGTH_S - 30)) * RATE_HZ})")
                page.evaluate("bench.player.state === 'stopped' && bench.player.play()")
                page.wait_for_timeout(1500)
            kind = "cold" if rng.random() < 0.25 else "warm"
            step = int(rng.integers(2, COPIES - 2)) if kind == "cold" else int(rng.choice([-1, 1]))
            at = (at + step) % COPIES
            frames = page.evaluate("key => bench.switchTo(key)", f"copy{at}")
            waits_ms[kind].append(1000 * frames / RATE_HZ)
            page.wait_for_timeout(int(rng.integers(400, 1200)))
        late = page.evaluate("bench.log.late.length")
        browser.close()
    for kind, ms in waits_ms.items():
        print(
            f"{len(ms)} {kind} switches: p50 {np.percentile(ms, 50):.1f} ms, "
            f"p95 {np.percentile(ms, 95):.1f} ms, max {max(ms):.1f} ms"
        )
    mb = np.array([one for _, one in held])
    half = mb[len(mb) // 2 :]
    growth = float(np.mean(half[len(half) // 2 :]) - np.mean(half[: len(half) // 2]))
    print(
        f"page: {mb.min():.0f} to {mb.max():.0f} MB; over the second half {growth:+.0f} MB; "
        f"{late} late and put right"
    )
    warm = waits_ms["warm"]
    is_well = np.percentile(warm, 95) <= WARM_P95_MS and max(warm) <= WARM_MAX_MS
    return 0 if is_well and mb.max() < MOST_MB and growth < GROWTH_MB else 1


if __name__ == "__main__":
    sys.exit(main(float(sys.argv[1]) if len(sys.argv) > 1 else 10.0))
