"""The outline of a copy: how far it swings, column by column, for a map to go by. No Django here."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis.audiofile import METER_LIMITS, describe, read_blocks

COLUMNS = 480
FULL_SCALE = 255


def outline_of(path: Path, *, columns: int = COLUMNS) -> bytes:
    """One byte a column, from start to end: the largest sample in it, linear, 255 at full scale.

    A column's frames are those from ``floor(n * frames / columns)`` on; silence gives 0. A file with fewer
    frames than columns gives one byte a frame. Raises AudioError as `read_blocks` does.
    """
    found = describe(path, METER_LIMITS)
    columns = min(columns, found.frames)
    starts = np.arange(columns) * found.frames // max(columns, 1)
    largest = np.zeros(columns)
    at = 0
    for block in read_blocks(path):
        _raise_to(largest, starts, np.abs(block).max(axis=1), at)
        at += len(block)
    return bytes(np.minimum(np.round(largest * FULL_SCALE), FULL_SCALE).astype(np.uint8))


def _raise_to(
    largest: NDArray[np.float64], starts: NDArray[np.int64], swing: NDArray[np.float64], at: int
) -> None:
    """Take a block's swings, whose first frame is `at`, into the columns that they lie in."""
    first = int(np.searchsorted(starts, at, side="right")) - 1
    last = int(np.searchsorted(starts, at + len(swing) - 1, side="right")) - 1
    cuts = np.maximum(starts[first : last + 1] - at, 0)
    here = slice(first, last + 1)
    largest[here] = np.maximum(largest[here], np.maximum.reduceat(swing, cuts))
