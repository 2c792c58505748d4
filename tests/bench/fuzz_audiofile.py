"""Ten thousand randomly damaged files through the header reader and the decoders.

`python -m tests.bench.fuzz_audiofile [COUNT]` runs one process a core and prints one JSON object. It exits 1
if a process died, if anything but an AudioError came out, or if damaged sound was taken for whole.
"""

import json
import os
import subprocess
import sys
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

_PROJECT = Path(__file__).parents[2]
#: Mutants tried by one process, so that a crash costs few of them and names where to look.
_PART = 500


def run_part(first: int, count: int) -> dict[str, object]:
    """One process over a range of mutants."""
    command = [sys.executable, "-m", "tests.analysis.audiofile.mutations", str(first), str(count)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=_PROJECT)
    if done.returncode != 0:
        died = f"mutants {first} to {first + count - 1}: status {done.returncode}"
        return {"taken": 0, "codes": {}, "wrong": [died], "longest_s": 0.0}
    return json.loads(done.stdout)


def main(count: int) -> int:
    """Try mutants 0 to `count` - 1; return the exit status."""
    start = time.monotonic()
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        parts = list(
            pool.map(lambda first: run_part(first, min(_PART, count - first)), range(0, count, _PART))
        )
    codes: Counter[str] = Counter()
    for part in parts:
        codes.update(part["codes"])
    wrong = [line for part in parts for line in part["wrong"]]
    print(
        json.dumps(
            {
                "mutants": count,
                "taken": sum(part["taken"] for part in parts),
                "refused": dict(codes.most_common()),
                "wrong": wrong,
                "longest_s": round(max(part["longest_s"] for part in parts), 3),
                "wall_s": round(time.monotonic() - start, 1),
            }
        )
    )
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000))
