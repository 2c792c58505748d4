"""How alike left and right are."""

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.errors import require_audio


class Correlation:
    """Correlation of the first two channels (left and right) of a recording given in blocks.

    +1 for the same sound in both, -1 for one inverted, 0 for unrelated ones. The correlation of the signals
    as they are, not of their deviations from the mean: sum(l r) / sqrt(sum(l^2) sum(r^2)). Common practice,
    no source.
    """

    def __init__(self, *, n_channels: int) -> None:
        self._n_channels = n_channels
        self._left_left = self._right_right = self._left_right = 0.0

    def add(self, audio: NDArray[np.float64]) -> None:
        """Take the next block, shape (n_frames, n_channels). Raises ShapeError for other channels."""
        require_audio(audio, n_channels=self._n_channels)
        left, right = audio[:, 0], audio[:, min(1, self._n_channels - 1)]
        self._left_left += float(np.einsum("n,n->", left, left))
        self._right_right += float(np.einsum("n,n->", right, right))
        self._left_right += float(np.einsum("n,n->", left, right))

    def value(self) -> float:
        """The correlation, -1 to +1. Mono gives 1; nan where a channel is silent: it is like nothing."""
        if not self._left_left or not self._right_right:
            return float("nan")
        ratio = self._left_right / (np.sqrt(self._left_left) * np.sqrt(self._right_right))
        return float(np.clip(ratio, -1.0, 1.0))
