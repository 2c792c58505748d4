"""The scripts that compute, without a page: `node --test` over tests/browser/modules."""

from __future__ import annotations

import io
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile

MODULES = Path(__file__).parent / "modules"
ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.needs("node")
@pytest.mark.parametrize("path", sorted(MODULES.glob("*.test.mjs")), ids=lambda path: path.name)
def test_module(path: Path) -> None:
    """One file of node tests; its own report is shown when one fails."""
    done = subprocess.run(
        ["node", "--test", str(path)], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "# fail 0" in done.stdout
    assert "# pass 0" not in done.stdout


WRITE_FLAC = """
import { flacOf } from "./analysis/listening/static/listening/flac.js";
const frames = Number(process.argv[1]);
const whole = (step) => Array.from({ length: frames }, (_, n) => ((n * step) % 2 ** 24) - 2 ** 23);
const ramp = (step) => Float32Array.from(whole(step), (value) => value / 2 ** 23);
process.stdout.write(new Uint8Array(flacOf([ramp(7919), ramp(104729)])));
"""


@pytest.mark.needs("node")
@pytest.mark.parametrize("frames", [1, 4096, 10_000])
def test_the_written_flac_is_read_back_exactly_by_libflac(frames: int) -> None:
    """libsndfile's FLAC decoder checks both checksums of every block and gives the same samples."""
    command = ["node", "--input-type=module", "-e", WRITE_FLAC, str(frames)]
    done = subprocess.run(command, capture_output=True, cwd=ROOT, timeout=60, check=True)
    audio, rate_hz = soundfile.read(io.BytesIO(done.stdout), dtype="int32", always_2d=True)
    steps = np.arange(frames)[:, None] * np.array([7919, 104729])
    assert rate_hz == 48_000
    assert np.array_equal(audio >> 8, steps % 2**24 - 2**23)
