"""The outline of a copy: how far it swings, column by column, for a map to go by. No Django here."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.meter import INT32_SCALE

COLUMNS = 480
FULL_SCALE = 255


class Outline:
    """Takes the outline of a recording of `n_frames` frames, given in blocks of any length."""

    def __init__(self, *, n_frames: int, columns: int = COLUMNS) -> None:
        columns = min(columns, n_frames)
        self._starts = np.arange(columns) * n_frames // max(columns, 1)
        self._largest = np.zeros(columns)
        self._at = 0

    def add(self, samples: NDArray[np.int32]) -> None:
        """Take the next block, shape (n, n_channels), the most significant bit at the top of the word."""
        if not len(samples):
            return
        first = int(np.searchsorted(self._starts, self._at, side="right")) - 1
        last = int(np.searchsorted(self._starts, self._at + len(samples) - 1, side="right")) - 1
        cuts = np.maximum(self._starts[first : last + 1] - self._at, 0) * samples.shape[1]
        # All channels in one row: a search along it looks at several samples at once.
        row = np.ascontiguousarray(samples).reshape(-1)
        highest, lowest = np.maximum.reduceat(row, cuts), np.minimum.reduceat(row, cuts)
        # As floats before the sign is turned: the lowest int32 has no opposite.
        swing = np.maximum(highest.astype(np.float64), -lowest.astype(np.float64)) * INT32_SCALE
        here = slice(first, last + 1)
        self._largest[here] = np.maximum(self._largest[here], swing)
        self._at += len(samples)

    def as_bytes(self) -> bytes:
        """One byte a column, from start to end: the largest sample in it, linear, 255 at full scale.

        A column's frames are those from ``floor(n * n_frames / columns)`` on; silence gives 0. A recording
        with fewer frames than columns gives one byte a frame.
        """
        return bytes(np.minimum(np.round(self._largest * FULL_SCALE), FULL_SCALE).astype(np.uint8))
