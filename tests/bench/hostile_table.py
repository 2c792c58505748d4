"""What the door says to every file of the hostile set, as a Markdown table.

Run by hand: `.venv/bin/python -m tests.bench.hostile_table`. Exit status 1 where a verdict is not the one
that the set names.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

from analysis.audiofile import AudioError, probe
from tests.analysis.audiofile.hostile import CASES, Case


class Verdict(NamedTuple):
    """What became of one file: a code and a sentence, or None where it was taken; and the time it took."""

    code: str | None
    sentence: str
    took_s: float


def verdict_on(case: Case, folder: Path) -> Verdict:
    """Put one file through the whole door."""
    path = folder / case.file_name
    path.write_bytes(case.build())
    begun = time.perf_counter()
    try:
        probe(path)
    except AudioError as refusal:
        return Verdict(refusal.code, refusal.message, time.perf_counter() - begun)
    return Verdict(None, "", time.perf_counter() - begun)


def main() -> int:
    """Print a line a case, and the sums; 1 where a verdict is wrong."""
    print("| case | verdict | sentence |\n| --- | --- | --- |")
    wrong, longest_s = 0, 0.0
    with tempfile.TemporaryDirectory() as folder:
        for case in CASES:
            found = verdict_on(case, Path(folder))
            longest_s = max(longest_s, found.took_s)
            wrong += found.code != case.verdict
            note = "" if found.code == case.verdict else f" **(expected {case.verdict or 'taken'})**"
            print(f"| {case.name} | {found.code or 'taken'}{note} | {found.sentence} |")
    taken = sum(case.verdict is None for case in CASES)
    print(f"\n{len(CASES)} cases, {taken} to be taken: {wrong} wrong verdicts, {longest_s:.1f} s at most.")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
