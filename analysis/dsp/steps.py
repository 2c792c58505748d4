"""The grid that everything over time is built on: steps of 10 ms, and sums over them."""

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.errors import require_rate

STEPS_PER_S = 100
STEPS_PER_READING = 10  # a reading each 100 ms: 75 % overlap of gating blocks, BS.1770-5, Annex 1
# Room from the start: a quarter of an hour, as long as most recordings. What is not used is only promised.
FIRST_ROOM_STEPS = 100_000


def step_starts(first: int, beyond: int, *, rate_hz: int) -> NDArray[np.int64]:
    """The frame at which each step from `first` up to `beyond` (not included) starts.

    Where 10 ms is no whole number of frames, steps differ by one frame and never drift.
    """
    return np.arange(first, beyond, dtype=np.int64) * rate_hz // STEPS_PER_S


class StepSums:
    """Sums of several quantities over each 10 ms step of a recording given in blocks. Raises RateError.

    For each block: ask for `bounds`, sum each quantity between each pair of neighbouring bounds, hand the
    sums to `add`.
    """

    def __init__(self, *, rate_hz: int, n_kinds: int) -> None:
        require_rate(rate_hz)
        self._rate_hz = rate_hz
        self._n_frames = 0
        self._steps = np.empty((n_kinds, FIRST_ROOM_STEPS))
        self._n_steps = 0
        self._open = np.zeros(n_kinds)  # of the step that is not complete yet

    def bounds(self, n_frames: int) -> NDArray[np.int64]:
        """Where the steps of the next block of `n_frames` start, in its own frames; 0 first, its end last.

        The last step may start at the very end: none of it has arrived yet.
        """
        first, last = (
            ((frame + 1) * STEPS_PER_S - 1) // self._rate_hz
            for frame in (self._n_frames, self._n_frames + n_frames)
        )
        bounds = step_starts(first, last + 2, rate_hz=self._rate_hz) - self._n_frames
        bounds[0], bounds[-1] = 0, n_frames
        return bounds

    def add(self, sums: NDArray[np.float64], n_frames: int) -> None:
        """Take the sums over the next block of `n_frames`, shape (n_kinds, len(bounds) - 1)."""
        sums[:, 0] += self._open
        beyond = self._n_steps + sums.shape[1] - 1
        if beyond > self._steps.shape[1]:
            longer = np.empty((len(sums), 2 * beyond))
            longer[:, : self._n_steps] = self.whole_steps()
            self._steps = longer
        self._steps[:, self._n_steps : beyond] = sums[:, :-1]
        self._open = sums[:, -1].copy()
        self._n_steps = beyond
        self._n_frames += n_frames

    def whole_steps(self) -> NDArray[np.float64]:
        """The sums over each complete step, shape (n_kinds, n_steps): a view, not to be written to."""
        return self._steps[:, : self._n_steps]

    def total(self) -> NDArray[np.float64]:
        """The sums over all that was given, shape (n_kinds,)."""
        total: NDArray[np.float64] = self.whole_steps().sum(axis=1) + self._open
        return total


def window_sums(
    step_sums: NDArray[np.float64] | NDArray[np.bool_], *, n_steps: int, each: int = 1
) -> NDArray[np.float64]:
    """Sums over every whole window of `n_steps` steps, which start `each` steps apart.

    `n_steps` is a multiple of `each`; True counts as 1. Shape (max(0, (n - n_steps) // each + 1),).

    The trap: differences of a running total are quicker and leave rounding dust, or less than nothing, where
    a silence follows something loud. These are true sums.
    """
    if step_sums.size < n_steps:
        return np.zeros(0)
    groups = step_sums
    if each > 1:
        groups = step_sums[: step_sums.size // each * each].reshape(-1, each).sum(axis=1)
    sums: NDArray[np.float64] = np.convolve(groups, np.ones(n_steps // each), mode="valid")
    return sums


def window_frames(n_windows: int, *, n_steps: int, each: int = 1, rate_hz: int) -> NDArray[np.int64]:
    """How many frames each of `n_windows` windows of `n_steps` steps holds; they start `each` steps apart."""
    if rate_hz % STEPS_PER_S == 0:  # all alike: held once
        return np.broadcast_to(np.int64(n_steps * rate_hz // STEPS_PER_S), n_windows)
    first = np.arange(0, n_windows * each, each, dtype=np.int64)
    return (first + n_steps) * rate_hz // STEPS_PER_S - first * rate_hz // STEPS_PER_S
