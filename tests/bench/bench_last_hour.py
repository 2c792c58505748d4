"""The last minutes before a deadline: many upload at once, and somebody else wants a page.

Run by hand: `.venv/bin/python -m tests.bench.bench_last_hour [PEOPLE] [MEGABYTES] [SECONDS]` (default 40,
100 and 0: 4 GB on the disk, some minutes). A real `manage.py serve` with its one worker on SQLite and the
local disk; every entrant sends a file of their own in parts of 8 MiB over the loopback, then the form, as
the page's script does; all begin together, or spread evenly over so many seconds. Meanwhile two watchers
open other pages, one after the other. Goals: no failure, no entry lost or doubled, a 95th percentile of the
other pages under 500 ms: the project's own, no source. Exit status 1 when one is missed. Clients, server
and worker share the cores, so the machine's load is printed, and how the same pages were before the first
upload.
"""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from multiprocessing import synchronize
from multiprocessing.queues import Queue
from pathlib import Path

import numpy as np
import requests
from requests.adapters import HTTPAdapter
from urllib3.util import Retry

from tests.bench.bench_uploads import CHUNK_BYTES, FRAME_BYTES, write_noise
from tests.services.serving import Served, serving
from tests.services.site import Site
from tests.services.tus_server import TOKEN

GOAL_MS = 500.0
WATCHERS, PAUSE_S, QUIET_S = 2, 0.1, 5.0
TRIES, AGAIN_AFTER_S = 5, 1.0  # as the page's script: a part that failed is sent again from where it stands
LONGEST_ANSWER_S = 300
CHECKED_WITHIN_S = 1800


@dataclass
class Watch:
    """What the watchers saw: milliseconds of each page, and answers that were none."""

    took_ms: dict[str, list[float]] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Outcome:
    """What became of one entrant: the answer to the form, the file's SHA-256, and parts sent again."""

    status: int
    words: str
    sha256: str
    again: int
    took_s: float


def person(session: str) -> requests.Session:
    """A browser in which somebody is signed in."""
    browser = requests.Session()
    # A kept connection may be closed by the server as it is used again; browsers then ask once more for what
    # only reads (RFC 9112, 9.3.1).
    browser.mount("http://", HTTPAdapter(max_retries=Retry(total=1, allowed_methods=["GET", "HEAD"])))
    browser.headers.update({"Cookie": f"session={session}; csrf={TOKEN}", "X-CSRFToken": TOKEN})
    return browser


class OwnFile:
    """The same noise with other last samples: every entrant has a file of their own, none needs a copy."""

    def __init__(self, noise: bytes, number: int) -> None:
        self._noise = noise
        self._end = number.to_bytes(FRAME_BYTES, "little")
        digest = hashlib.sha256(memoryview(noise)[:-FRAME_BYTES])
        digest.update(self._end)
        self.sha256 = digest.hexdigest()
        self.size_bytes = len(noise)

    def part(self, at: int) -> bytes:
        """The bytes of one part from an offset on."""
        until = min(at + CHUNK_BYTES, self.size_bytes)
        if until < self.size_bytes:
            return self._noise[at:until]
        return self._noise[at:-FRAME_BYTES] + self._end


def enter(served: Served, slug: str, session: str, file: OwnFile) -> Outcome:
    """Send one file in parts and the form after it."""
    browser, began_s, again = person(session), time.monotonic(), 0
    opened = browser.post(
        f"{served.address}/uploads/",
        headers={
            "Tus-Resumable": "1.0.0",
            "Upload-Length": str(file.size_bytes),
            "Upload-Metadata": "filename bWl4Lndhdg==",
        },
        timeout=LONGEST_ANSWER_S,
    )
    sha256 = file.sha256
    if opened.status_code != 201:
        return Outcome(opened.status_code, opened.text, sha256, again, time.monotonic() - began_s)
    address = opened.headers["Location"]
    address = address if address.startswith("http") else served.address + address
    at = 0
    while at < file.size_bytes:
        try:
            answer = browser.patch(
                address,
                data=file.part(at),
                headers={
                    "Tus-Resumable": "1.0.0",
                    "Content-Type": "application/offset+octet-stream",
                    "Upload-Offset": str(at),
                },
                timeout=LONGEST_ANSWER_S,
            )
            ok = answer.status_code == 204
        except requests.RequestException:
            ok = False
        if ok:
            at = int(answer.headers["Upload-Offset"])
            continue
        again += 1
        if again > TRIES:
            return Outcome(0, "the upload broke too often", sha256, again, time.monotonic() - began_s)
        time.sleep(AGAIN_AFTER_S)
        head = browser.head(address, headers={"Tus-Resumable": "1.0.0"}, timeout=LONGEST_ANSWER_S)
        at = int(head.headers["Upload-Offset"])
    form = {"rules_version": "1", "accepts_rules": "on", "note": "", "upload": address.rpartition("/")[2]}
    answer = browser.post(
        f"{served.address}/contests/{slug}/enter/",
        data=form,
        headers={"Accept": "application/json"},
        timeout=LONGEST_ANSWER_S,
    )
    return Outcome(answer.status_code, answer.text[:200], sha256, again, time.monotonic() - began_s)


def watch(
    address: str, pages: list[tuple[str, str, str]], stop: synchronize.Event, told: Queue[Watch]
) -> None:
    """Open one page after the other until told to stop; each is its name, its path and whose session."""
    seen = Watch()
    browsers = {session: person(session) for _, _, session in pages}
    while not stop.is_set():
        for name, path, session in pages:
            began_s = time.perf_counter()
            try:
                answer = browsers[session].get(address + path, timeout=60)
                if answer.status_code != 200:
                    seen.wrong.append(f"{name}: {answer.status_code}")
            except requests.RequestException as exc:
                seen.wrong.append(f"{name}: {type(exc).__name__}")
            seen.took_ms.setdefault(name, []).append(1000 * (time.perf_counter() - began_s))
            stop.wait(PAUSE_S)
    told.put(seen)


@contextmanager
def watching(served: Served, pages: list[tuple[str, str, str]]) -> Iterator[Watch]:
    """Have the pages opened again and again, at least once each; what was seen is whole afterwards.

    The watchers are processes of their own: in this one they would wait for the threads that upload.
    """
    forks = multiprocessing.get_context("fork")
    stop, told, seen = forks.Event(), forks.Queue(), Watch()
    watchers = [
        forks.Process(target=watch, args=(served.address, pages, stop, told)) for _ in range(WATCHERS)
    ]
    for watcher in watchers:
        watcher.start()
    try:
        yield seen
    finally:
        stop.set()
        for one in [told.get() for _ in watchers]:
            seen.wrong += one.wrong
            for name, took_ms in one.took_ms.items():
                seen.took_ms.setdefault(name, []).extend(took_ms)
        for watcher in watchers:
            watcher.join()


def show(seen: Watch, when: str) -> float:
    """Print the pages; the 95th percentile of all of them together."""
    everything = [took for each in seen.took_ms.values() for took in each]
    print(f"other pages {when}: {len(everything)} opened, {len(seen.wrong)} wrong {Counter(seen.wrong)}")
    for name, took in [*seen.took_ms.items(), ("all", everything)]:
        p50, p95 = np.percentile(took, [50, 95])
        print(f"  {name:26} p50 {p50:7.1f} ms   p95 {p95:7.1f} ms   longest {max(took):7.1f} ms")
    return float(np.percentile(everything, 95))


def main(people: int, megabytes: int, spread_s: int) -> int:
    """Let them all enter, and print what was found."""
    with tempfile.TemporaryDirectory(prefix="bench-last-hour-") as name:
        folder = Path(name)
        write_noise(folder / "noise.wav", megabytes=megabytes)
        noise = (folder / "noise.wav").read_bytes()
        site = Site(folder)
        done = site.manage("migrate", "--verbosity", "0")
        assert done.returncode == 0, done.stderr
        there = site.play("people_at_the_door", people=people)
        slug, sessions = there["contest"], there["entrants"]
        with closing(site), serving(site) as served:
            pages = [
                ("front", "/", there["visitor"]),
                ("contest", f"/contests/{slug}/", there["visitor"]),
                ("own entries", "/contests/entries/", there["visitor"]),
                ("upload page", f"/contests/{slug}/enter/", there["visitor"]),
                ("host's desk", f"/contests/hosting/{slug}/", there["host"]),
                ("desk's progress", f"/contests/hosting/{slug}/progress/", there["host"]),
            ]
            print(f"load before {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
            with watching(served, pages):
                pass  # each page once, so that nothing is loaded for the first time below
            with watching(served, pages) as quiet:
                time.sleep(QUIET_S)
            show(quiet, "before")
            began_s = time.monotonic()
            together = threading.Barrier(people)

            def one(number: int) -> Outcome:
                file = OwnFile(noise, number)
                together.wait()
                time.sleep(spread_s * number / people)
                return enter(served, slug, sessions[number], file)

            with watching(served, pages) as seen, ThreadPoolExecutor(people) as pool:
                outcomes = list(pool.map(one, range(people)))
                took_s, load = time.monotonic() - began_s, os.getloadavg()[0]
            p95_ms = show(seen, "while they uploaded")
            entries = site.play("entries_at_the_door", contest=slug, seconds=CHECKED_WITHIN_S)
            checked_s = time.monotonic() - began_s
    failed = [outcome for outcome in outcomes if outcome.status != 201]
    sent, kept = Counter(outcome.sha256 for outcome in outcomes), Counter(entries["sha256"])
    lost, doubled = sent - kept, kept - sent
    rate = people * megabytes / took_s
    print(
        f"{people} people, {megabytes} MB each, begun within {spread_s} s, done in {took_s:.1f} s: ", end=""
    )
    print(f"{rate:.0f} MB/s; load {load:.1f}")
    print(f"slowest entrant {max(outcome.took_s for outcome in outcomes):.1f} s")
    print(f"parts sent again {sum(outcome.again for outcome in outcomes)}; failures {len(failed)}")
    for outcome in failed[:5]:
        print(f"  {outcome.status}: {outcome.words}")
    print(
        f"entries {sum(kept.values())}, lost {sum(lost.values())}, doubled or altered {sum(doubled.values())}"
    )
    print(f"states {Counter(entries['states'])} after {checked_s:.0f} s")
    is_met = not (failed or lost or doubled or seen.wrong) and p95_ms < GOAL_MS
    print(f"no failure, none lost or doubled, other pages p95 under {GOAL_MS:.0f} ms: {is_met}")
    return 0 if is_met else 1


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    sys.exit(main(*(given + [40, 100, 0][len(given) :])))
