"""Some hundreds of randomly damaged files; ten thousand are tests/bench/fuzz_audiofile.py's."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

COUNT = 200
PROJECT = Path(__file__).parents[3]


@pytest.mark.parametrize("first", [0, 10_000, 20_000])
def test_nothing_crashes_and_nothing_wrong_is_taken(first: int):
    command = [sys.executable, "-m", "tests.analysis.audiofile.mutations", str(first), str(COUNT)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=PROJECT)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["wrong"] == []
    assert found["taken"] + sum(found["codes"].values()) == COUNT
    # The damage must be neither too coarse, or nothing behind the first bytes is reached, nor too slight.
    assert 10 <= found["taken"] <= COUNT - 10
    assert len(found["codes"]) >= 6
    assert found["longest_s"] < 20
