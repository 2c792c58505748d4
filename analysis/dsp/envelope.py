"""The outline of a recording: the lowest and highest sample in each of so many equal parts, for a picture."""

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.errors import ShapeError, require_audio


class Envelope:
    """Collects the outline of a recording of `n_frames`, given in blocks, over all channels together.

    `low` and `high` have shape (n_parts,), linear, full scale 1.0; parts not reached yet, and silent ones,
    are 0. Fewer frames than parts give one part a frame. Raises ShapeError without frames or parts.
    """

    def __init__(self, *, n_frames: int, n_parts: int) -> None:
        if n_frames < 1 or n_parts < 1:
            raise ShapeError(f"an outline needs frames and parts, not {n_frames} and {n_parts}")
        self._n_frames = n_frames
        self._n_parts = min(n_parts, n_frames)
        self._at = 0
        self.low = np.zeros(self._n_parts)
        self.high = np.zeros(self._n_parts)

    def add(self, audio: NDArray[np.float64]) -> None:
        """Take the next block, shape (n, n_channels). Raises ShapeError for more frames than announced."""
        require_audio(audio)
        beyond = self._at + audio.shape[0]
        if beyond > self._n_frames:
            raise ShapeError(f"expected {self._n_frames} frames in all, got {beyond}")
        if not audio.shape[0]:
            return
        first, last = (frame * self._n_parts // self._n_frames for frame in (self._at, beyond - 1))
        # The first frame of a part: the smallest with frame * n_parts // n_frames equal to the part.
        starts = -(-np.arange(first, last + 1) * self._n_frames // self._n_parts) - self._at
        starts[0] = 0
        parts = slice(first, last + 1)
        lowest, highest = audio.min(axis=1), audio.max(axis=1)
        self.low[parts] = np.minimum(self.low[parts], np.minimum.reduceat(lowest, starts))
        self.high[parts] = np.maximum(self.high[parts], np.maximum.reduceat(highest, starts))
        self._at = beyond
