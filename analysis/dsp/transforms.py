"""Fourier transforms of many signals side by side.

The libraries at hand take a row at a time, or few of them together. Here each signal has a lane of its own
in every row, so that whatever is done to one is done to all of them at once, without moving anything within a
row.
"""

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.errors import ShapeError
from analysis.dsp.kernels import FUSED, kernel

# As many float32 as the widest processors take at once.
LANES = 16
# Frames are moved to their rows in runs of so many.
RUN_FRAMES = 8


class Transforms:
    """The discrete Fourier transforms of LANES complex signals, each of `n_frames`, a power of two from 8 on.

    Raises ShapeError for another length. Put the signals into `rows`, shape (n_frames, 2 * LANES), float32:
    a row a frame, the real parts of all signals and then the imaginary ones; and `transform` them. What
    `rows` held is lost by that.

    Line k, the sum of each signal times exp(-2 pi j k n / n_frames), comes to lie in row `places[k]`. As
    exact as float32 allows: some 1e-7 of the largest line.

    J. W. Cooley, J. W. Tukey, "An algorithm for the machine calculation of complex Fourier series", Math.
    Computation 19, 1965, by fours where that goes; each stage reads and writes as M. C. Pease, "An adaptation
    of the fast Fourier transform for parallel processing", J. ACM 15 (2), 1968, lays it out (both from
    memory): the rows that meet are always a quarter of all apart, and what becomes of them lies together. So
    the compiler knows the distances, and the lines come in the order of their digits read backwards.
    """

    def __init__(self, n_frames: int) -> None:
        if n_frames < RUN_FRAMES or n_frames & (n_frames - 1):
            raise ShapeError(f"expected a power of two from 8 on, got {n_frames}")
        self.rows = np.zeros((n_frames, 2 * LANES), dtype=np.float32)
        self._spare = np.empty_like(self.rows)
        angle = -2.0 * np.pi * np.arange(n_frames) / n_frames
        self._turns = np.stack((np.cos(angle), np.sin(angle)), axis=1).astype(np.float32)
        lines = np.arange(2 if n_frames.bit_length() % 2 == 0 else 1)
        while lines.size < n_frames:
            lines = (lines[:, np.newaxis] + lines.size * np.arange(4)).ravel()
        self.places = np.argsort(lines)

    def cut(
        self,
        planes: NDArray[np.float32],
        first_frame: int,
        hop: int,
        *,
        n_windows: int,
        rise: NDArray[np.float32],
    ) -> None:
        """Fill the first lanes with windows of left + j right, silence the others.

        `planes`, shape (2, n), are left and right; the first window begins at `first_frame`, each further one
        `hop` later. Each is multiplied by `rise` at its start and by the same backwards at its end.
        """
        _cut(planes, first_frame, hop, n_windows, rise, self.rows)

    def transform(self) -> NDArray[np.float32]:
        """The lines of what is in `rows`, shape as these; they hold until the next call."""
        if not _transform(self.rows, self._spare, self._turns):
            self.rows, self._spare = self._spare, self.rows
        lines, self.rows, self._spare = self.rows, self._spare, self.rows
        return lines


@kernel(freedom=FUSED)
def _transform(rows: NDArray[np.float32], spare: NDArray[np.float32], turns: NDArray[np.float32]) -> bool:
    """Transform what is in `rows`; whether the lines are there at last, or else in `spare`."""
    n_frames, lanes = rows.shape[0], rows.shape[1] // 2
    given, into, in_rows, done = rows, spare, True, 1
    while done * 4 <= n_frames:
        done *= 4
    if done < n_frames:
        # No power of four: first from one transform to two of half the length. Lanes are counted by a number
        # that the compiler does not know: told that they are sixteen, it would write them out one by one.
        half, flat = n_frames // 2, into.reshape(-1)
        for at in range(half):
            real, imag = turns[at, 0], turns[at, 1]
            a, b = given[at], given[at + half]
            two = flat[at * 4 * LANES : (at + 1) * 4 * LANES]
            for lane in range(lanes):
                two[lane], two[LANES + lane] = a[lane] + b[lane], a[LANES + lane] + b[LANES + lane]
                x, y = a[lane] - b[lane], a[LANES + lane] - b[LANES + lane]
                two[2 * LANES + lane], two[3 * LANES + lane] = x * real - y * imag, x * imag + y * real
        given, into, in_rows = into, given, not in_rows
    done = 1 if done == n_frames else 2
    quarter = n_frames // 4
    while done < n_frames:
        # From each of `done` transforms, whose rows alternate, to four of a quarter of the length.
        flat = into.reshape(-1)
        for group in range(0, quarter, done):
            real_1, imag_1 = turns[group, 0], turns[group, 1]
            real_2, imag_2 = turns[2 * group, 0], turns[2 * group, 1]
            real_3, imag_3 = turns[3 * group, 0], turns[3 * group, 1]
            for at in range(group, group + done):
                a, b, c, d = given[at], given[at + quarter], given[at + 2 * quarter], given[at + 3 * quarter]
                four = flat[at * 8 * LANES : (at + 1) * 8 * LANES]
                for lane in range(LANES):
                    even_x, even_y = a[lane] + c[lane], a[LANES + lane] + c[LANES + lane]
                    odd_x, odd_y = b[lane] + d[lane], b[LANES + lane] + d[LANES + lane]
                    four[lane], four[LANES + lane] = even_x + odd_x, even_y + odd_y
                    x, y = even_x - odd_x, even_y - odd_y
                    four[4 * LANES + lane] = x * real_2 - y * imag_2
                    four[5 * LANES + lane] = x * imag_2 + y * real_2
                    even_x, even_y = a[lane] - c[lane], a[LANES + lane] - c[LANES + lane]
                    # Their difference times -j.
                    odd_x, odd_y = b[LANES + lane] - d[LANES + lane], d[lane] - b[lane]
                    x, y = even_x + odd_x, even_y + odd_y
                    four[2 * LANES + lane] = x * real_1 - y * imag_1
                    four[3 * LANES + lane] = x * imag_1 + y * real_1
                    x, y = even_x - odd_x, even_y - odd_y
                    four[6 * LANES + lane] = x * real_3 - y * imag_3
                    four[7 * LANES + lane] = x * imag_3 + y * real_3
        given, into, in_rows, done = into, given, not in_rows, 4 * done
    return in_rows


@kernel()
def _cut(
    planes: NDArray[np.float32],
    first_frame: int,
    hop: int,
    n_windows: int,
    rise: NDArray[np.float32],
    rows: NDArray[np.float32],
) -> None:
    """See `Transforms.cut`. As many frames each time, known to the compiler, are moved without a loop."""
    row = rows.reshape(-1)
    for plane in range(2):
        for at in range(0, rows.shape[0], RUN_FRAMES):
            into = row[at * 2 * LANES : (at + RUN_FRAMES) * 2 * LANES]
            for lane in range(LANES):
                column = plane * LANES + lane
                from_frame = first_frame + lane * hop + at
                if lane < n_windows:
                    run = planes[plane, from_frame : from_frame + RUN_FRAMES]
                    for frame in range(RUN_FRAMES):
                        into[frame * 2 * LANES + column] = run[frame]
                else:
                    for frame in range(RUN_FRAMES):
                        into[frame * 2 * LANES + column] = 0.0
    for at in range(rise.size):
        rising, falling = rows[at], rows[rows.shape[0] - 1 - at]
        for column in range(rising.size):
            rising[column] *= rise[at]
            falling[column] *= rise[at]
