"""Drive the booth's player by itself, and compare what left it with the copies' own PCM.

Sources: W3C Web Audio API (https://www.w3.org/TR/webaudio/), AudioBufferSourceNode.start and
AudioParam.setValueCurveAtTime, whose formula gives the mix expected inside a change-over.
"""

from __future__ import annotations

import base64
import sys
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from playwright.sync_api import Page

from tests.browser.booth_server import RATE_HZ, BoothServer

EXACT = 1e-6  # the largest error that counts as the same sample; 24-bit steps are 1.2e-7
KEYS = ["q7k2", "m3xd", "z9fa", "t5wb"]


def open_bench(page: Page, server: BoothServer, rate_hz: int = RATE_HZ) -> dict[str, float]:
    server.delays_s.clear()
    server.statuses.clear()
    page.goto(f"{server.url}/page/bench.html")
    return page.evaluate("([set, rate]) => bench.open(set, rate)", [server.booth_set, rate_hz])


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


def largest_error(page: Page, server: BoothServer, *, most_late: int = 2) -> float:
    """The largest difference between what was recorded and what the log of runs amounts to.

    A busy machine makes a recorder skip its turn: such frames are stamped as missing and left out, and a
    record that misses more than one in fifty is no evidence. It may also make a fade or a piece come later
    than the player meant, which the player tells: those moments, at most `most_late`, are left out and told.
    """
    first, audio, lost = recorded(page)
    runs = page.evaluate("bench.log.run")
    assert 0 <= lost < 0.02 * len(audio), f"{lost} frames of {len(audio)} were not recorded"
    assert runs[0]["contextFrame"] > first
    assert any(run["contextFrame"] - first < len(audio) for run in runs[1:] or runs)
    error = np.abs(audio - expected(runs, server, first, len(audio)))
    late = late_stretches(page)
    for begin, end in late:
        error[begin - first : end - first] = 0
        tell("the machine was busy: something came late, was told, and was right soon after")
    assert len(late) <= most_late, f"{len(late)} times something came late"
    return float(np.nanmax(error))


def late_stretches(page: Page) -> list[tuple[int, int]]:
    """Where the player says it was late: from what context frame to what other all may be out of place."""
    runs = page.evaluate("bench.log.run")
    stretches = []
    for late in page.evaluate("bench.log.late"):
        end = late["rightFrom"]
        if end is None:
            repair = next(run for run in runs if run["contextFrame"] > late["contextFrame"])
            end = repair["contextFrame"] + repair["fade"]
        stretches.append((late["contextFrame"], end))
    return stretches


def repaired(runs: list[dict[str, Any]]) -> list[tuple[dict[str, Any], dict[str, Any]]]:
    """The runs that had a piece come late, each with the run of the same copy and place that repairs it."""
    return [
        (run, after)
        for run, after in pairwise(runs)
        if run["key"] == after["key"]
        and run["setFrame"] - run["contextFrame"] == after["setFrame"] - after["contextFrame"]
    ]


def hold_the_locks(page: Page, ms: float) -> None:
    """Let the page lose its turn in the midst of writing to a gain or ending a source, each time for so long.

    A page that goes on writing is to the audio thread what a page is that was put aside while it wrote.
    """
    page.evaluate(
        """(ms) => {
          const { cancelScheduledValues } = AudioParam.prototype;
          function drawOut(prototype, name, again) {
            const once = prototype[name];
            prototype[name] = function (...given) {
              const returned = once.apply(this, given);
              const began = performance.now();
              while (performance.now() - began < ms) {
                again(this, once, given);
              }
              return returned;
            };
          }
          const never = 1e6; // s: nothing is scheduled as late as that
          const writing = "setValueAtTime linearRampToValueAtTime setValueCurveAtTime cancelScheduledValues";
          for (const name of writing.split(" ")) {
            drawOut(AudioParam.prototype, name, (param) => cancelScheduledValues.call(param, never));
          }
          const stopAgain = (source, stop, given) => stop.apply(source, given);
          drawOut(AudioScheduledSourceNode.prototype, "stop", stopAgain);
        }""",
        ms,
    )


def be_busy(page: Page, prototype: str, method: str, calls: list[int], ms: float) -> None:
    """Let the page be busy for so long just before the given calls of a method, counted from 1 on."""
    page.evaluate(
        """([name, method, calls, ms]) => {
          const { prototype } = globalThis[name];
          const once = prototype[method];
          let count = 0;
          prototype[method] = function (...given) {
            count += 1;
            const began = performance.now();
            while (calls.includes(count) && performance.now() - began < ms);
            return once.apply(this, given);
          };
        }""",
        [prototype, method, calls, ms],
    )


def heard_runs(page: Page) -> list[dict[str, Any]]:
    """What the player says it played, without repairs."""
    runs = page.evaluate("bench.log.run")
    repairs = [repair for _, repair in repaired(runs)]
    return [run for run in runs if run not in repairs]


def those_that_sounded(runs: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Without the runs that were scheduled ahead and then replaced by one that begins earlier."""
    kept: list[dict[str, Any]] = []
    for run in runs:
        kept = [earlier for earlier in kept if earlier["contextFrame"] < run["contextFrame"]] + [run]
    return kept


def tell(text: str) -> None:
    print(text, file=sys.stderr)
