"""A second, independent reading of loudness: somebody else's meter, so that one mistake cannot hide twice."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pyloudnorm

from analysis import audiofile

SHORTEST_S = 0.4  # one gating block of ITU-R BS.1770


def read_lufs(path: Path) -> float:
    """Integrated loudness of a whole file by pyloudnorm; -inf for silence and below 0.4 s.

    The file is held in memory as float64, so read one copy at a time. `DeMan` is the filter class that
    follows the standard's coefficients; the default one reads 0.04 LU low on the standard's 997 Hz check.
    """
    described = audiofile.describe(path, audiofile.METER_LIMITS)
    if described.duration_s < SHORTEST_S:
        return -np.inf
    audio = np.concatenate(list(audiofile.read_blocks(path)))
    reader = pyloudnorm.Meter(described.sample_rate_hz, filter_class="DeMan")
    with warnings.catch_warnings(), np.errstate(divide="ignore", invalid="ignore"):
        warnings.simplefilter("ignore", RuntimeWarning)  # silence takes the mean of nothing inside
        reading = float(reader.integrated_loudness(audio))
    return reading if np.isfinite(reading) else -np.inf
