"""EBU Tech 3341 and 3342 through real files: WAV and FLAC of 24 bit, at four rates.

The cases are rebuilt from the documents' tables (values from memory, see tests/analysis/dsp/test_loudness.py
and test_truepeak.py, which go through all that can be rebuilt).
"""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from analysis.audiofile import write_flac, write_wav
from analysis.measuring.files import measure_file
from tests import tones

RATES_HZ = (44_100, 48_000, 88_200, 96_000)

# Tech 3341, table 1, and Tech 3342, table 1: what is read, and how far a reading may lie below and above.
LOUDNESS = ("integrated_lufs", -23.0, 0.1, 0.1)
SHORT_TERM = ("max_short_term_lufs", -23.0, 0.1, 0.1)
MOMENTARY = ("max_momentary_lufs", -23.0, 0.1, 0.1)


def peak(dbtp: float) -> tuple[str, float, float, float]:
    return ("true_peak_dbtp", dbtp, 0.4, 0.2)


def levels(*parts: tuple[float, float]) -> Callable[[int], tones.Audio]:
    return lambda rate_hz: tones.steps(list(parts), rate_hz=rate_hz)


def crests(divisor: float, phase_degrees: float, amplitude: float) -> Callable[[int], tones.Audio]:
    """A tone with its crests between its samples, which stay within full scale where the crests do not."""
    level_db = 20.0 * np.log10(amplitude)
    return lambda rate_hz: tones.sine(
        rate_hz / divisor, level_db, 1.0, rate_hz=rate_hz, phase_degrees=phase_degrees
    )


def surround(rate_hz: int) -> tones.Audio:
    parts = [
        tones.sine(1_000.0, level_dbfs, 20.0, rate_hz=rate_hz, n_channels=1)
        for level_dbfs in (-28.0, -28.0, -24.0, -30.0, -30.0)
    ]
    return np.concatenate(parts, axis=1)


CASES = {
    "3341-1": (levels((-23.0, 20.0)), LOUDNESS),
    "3341-2": (levels((-33.0, 20.0)), ("integrated_lufs", -33.0, 0.1, 0.1)),
    "3341-5": (levels((-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)), LOUDNESS),
    "3341-6": (surround, LOUDNESS),
    "3341-9": (levels(*[(-20.0, 1.34), (-30.0, 1.66)] * 5), SHORT_TERM),
    "3341-12": (levels(*[(-20.0, 0.18), (-30.0, 0.22)] * 25), MOMENTARY),
    "3341-15": (crests(4.0, 0.0, 0.5), peak(-6.0)),
    "3341-16": (crests(4.0, 45.0, 0.5), peak(-6.0)),
    "3341-17": (crests(6.0, 60.0, 0.5), peak(-6.0)),
    "3341-18": (crests(8.0, 67.5, 0.5), peak(-6.0)),
    "3341-19": (crests(4.0, 45.0, 1.41), peak(3.0)),
    "3342-1": (levels((-20.0, 20.0), (-30.0, 20.0)), ("loudness_range_lu", 10.0, 1.0, 1.0)),
    "3342-2": (levels((-20.0, 20.0), (-15.0, 20.0)), ("loudness_range_lu", 5.0, 1.0, 1.0)),
}


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("case", CASES)
def test_a_file_reads_what_its_case_expects_in_either_format(tmp_path: Path, case: str, rate_hz: int):
    build, (name, expected, below, above) = CASES[case]
    audio, found = build(rate_hz), {}
    for kind, write in (("wav", write_wav), ("flac", write_flac)):
        path = tmp_path / f"tone.{kind}"
        write(path, [audio], rate_hz=rate_hz, channels=audio.shape[1])
        found[kind] = measure_file(str(path))
        assert found[kind]["error"] is None
        assert expected - below <= found[kind][name] <= expected + above
    # The format changes nothing but its own name.
    described = {"path": "", "format": ""}
    assert found["wav"] | described == found["flac"] | described
