"""The long-term spectrum in third octaves (IEC 61260-1), of both channels, of their middle and of their side.

Measured by Fourier transforms rather than by the standard's filters: the bands have its edges. A tone in
the middle of a band reads its level there, at least 26 dB less next door and 36 dB less beyond.

Two transforms share the work. One looks at the sound as it is and serves the upper bands; the other looks at
every eighth frame of it, and sixty-four times as long at once, so that the lowest bands are several lines
wide. Left and right go through one transform together, as real and imaginary part, and are told apart by
symmetry.
"""

from typing import NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.dynamics import SINE_DB
from analysis.dsp.errors import require_audio, require_rate
from analysis.dsp.kernels import ANY_ORDER, kernel
from analysis.dsp.transforms import LANES, Transforms

# IEC 61260-1:2014, clauses 5.2 to 5.6: base ten, reference 1 kHz, three bands an octave. Exact midband
# frequencies are 1000 Hz * 10 ** (band / 10), edges half a band to either side.
REFERENCE_HZ = 1_000.0
LOWEST_BAND, HIGHEST_BAND = -17, 13
# The names of the bands: nominal midband frequencies, IEC 61260-1:2014, annex E, table E.1.
NOMINAL_HZ = (
    *(20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0),
    *(200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0, 1_000.0, 1_250.0, 1_600.0),
    *(2_000.0, 2_500.0, 3_150.0, 4_000.0, 5_000.0, 6_300.0, 8_000.0, 10_000.0, 12_500.0, 16_000.0, 20_000.0),
)

# Lengths of the two transforms for rates up to 64 kHz; both grow with the rate, in powers of two.
SHORT_FRAMES, LONG_FRAMES = 1_024, 8_192
SMALL_RATE_HZ = 64_000
KEPT_EACH = 8

# The low-pass before frames are left out: flat within 0.001 dB as far as its bands reach, and 80 dB down
# where what lies there would fold back into them (Kaiser's formulae for window designs).
LOW_PASS_TAPS_PER_KEPT = 10
LOW_PASS_BETA = 8.0
LOW_PASS_CORNER = 0.5  # of the lower rate: half way between the bands and what folds back into them
# Bands whose upper edge is below this share of the lower rate are read from the long transform.
LONG_BELOW = 0.19

# Rounded to float32 where they are put to those that wait, so that no copy is made for it.
Planes = NDArray[np.float64] | NDArray[np.float32]


class ThirdOctaves(NamedTuple):
    """Levels by band in dBFS, lowest band first, each of shape (n_bands,); a full-scale sine reads 0.

    Silence reads -inf; bands in the middle of which the rate has nothing read nan. `mean` is of the power of
    all channels; `mid` and `side` are half the sum and half the difference of left and right, so their powers
    add up to the mean's in stereo. Of one channel the side is silent.
    """

    mean_dbfs: NDArray[np.float64]
    mid_dbfs: NDArray[np.float64]
    side_dbfs: NDArray[np.float64]


def midbands_hz() -> NDArray[np.float64]:
    """Exact midband frequencies, shape (n_bands,): IEC 61260-1:2014, clause 5.4."""
    return _at_band(np.arange(LOWEST_BAND, HIGHEST_BAND + 1, dtype=np.float64))


def edges_hz() -> NDArray[np.float64]:
    """Where one band ends and the next begins, shape (n_bands + 1,): IEC 61260-1:2014, clause 5.6."""
    return _at_band(np.arange(LOWEST_BAND, HIGHEST_BAND + 2) - 0.5)


def _at_band(band: NDArray[np.floating]) -> NDArray[np.float64]:
    frequency_hz: NDArray[np.float64] = REFERENCE_HZ * np.power(10.0, band / 10.0)
    return frequency_hz


class Spectrum:
    """Collects the long-term spectrum of a recording given in blocks. Raises RateError.

    Every moment counts the same, the first and the last included: windows overlap by a quarter and their
    squares add up to one, so the powers of all lines together are the mean power of the recording. In
    float32, which keeps 140 dB between what is loudest and what can still be read.
    """

    def __init__(self, *, rate_hz: int, n_channels: int) -> None:
        require_rate(rate_hz)
        self._rate_hz = rate_hz
        self._n_channels = n_channels
        self._n_frames = 0
        times = 1
        while rate_hz > SMALL_RATE_HZ * times:
            times *= 2
        n_pairs = (n_channels + 1) // 2
        self._short = _Lines(n_frames=SHORT_FRAMES * times, n_pairs=n_pairs)
        self._long = _Lines(n_frames=LONG_FRAMES, n_pairs=n_pairs)
        self._keeping = _EachOf(KEPT_EACH * times, n_planes=2 * n_pairs)

    def add(self, audio: NDArray[np.float64]) -> None:
        """Take the next block, shape (n_frames, n_channels). Raises ShapeError for other channels."""
        require_audio(audio, n_channels=self._n_channels)
        planes = audio.T
        self._n_frames += audio.shape[0]
        self._short.add(planes)
        self._long.add(self._keeping.kept(planes))

    def third_octaves(self) -> ThirdOctaves:
        """The levels so far; more blocks may follow."""
        edges = edges_hz()
        power = np.full((3, edges.size - 1), np.nan)
        present = midbands_hz() < self._rate_hz / 2.0
        power[:, present] = 0.0
        if self._n_frames:
            long_rate_hz = self._rate_hz / self._keeping.each
            from_long = edges[1:] <= LONG_BELOW * long_rate_hz
            for lines, last, rate_hz, served in (
                (self._short, None, float(self._rate_hz), present & ~from_long),
                (self._long, self._keeping.rest(), long_rate_hz, present & from_long),
            ):
                per_line = lines.powers(last) / self._n_frames * (self._rate_hz / rate_hz)
                share = _shares(edges, n_lines=per_line.shape[1], line_hz=rate_hz / lines.n_frames)
                power[:, served] = (per_line @ share.T)[:, served]
        power[0] /= self._n_channels
        power[1:] /= 4.0  # half the sum: a quarter of its power
        if self._n_channels == 1:
            # The only channel is the middle, and nothing is at the side.
            power[1], power[2] = power[0], np.where(present, 0.0, np.nan)
        with np.errstate(divide="ignore"):
            return ThirdOctaves(*(10.0 * np.log10(power) + SINE_DB))


class _Waiting:
    """Samples that wait for enough to follow, in planes of one room: the first `n_frames` of each.

    Begins with so many frames of silence.
    """

    def __init__(self, n_planes: int, n_frames: int) -> None:
        self.room = np.zeros((n_planes, n_frames), dtype=np.float32)
        self.n_frames = n_frames

    def add(self, planes: Planes) -> None:
        """Let more follow, shape (n, n_frames); planes that are missing follow in silence."""
        beyond = self.n_frames + planes.shape[1]
        if beyond > self.room.shape[1]:
            room = np.zeros((self.room.shape[0], 2 * beyond), dtype=np.float32)
            room[:, : self.n_frames] = self.room[:, : self.n_frames]
            self.room = room
        self.room[: planes.shape[0], self.n_frames : beyond] = planes
        self.room[planes.shape[0] :, self.n_frames : beyond] = 0.0
        self.n_frames = beyond

    def drop(self, n_frames: int) -> None:
        """Let the first ones go."""
        left = self.n_frames - n_frames
        self.room[:, :left] = self.room[:, n_frames : self.n_frames]
        self.n_frames = left

    def copy(self) -> Self:
        """The same, to go on with on the side."""
        other = type(self)(self.room.shape[0], self.n_frames)
        other.room[:] = self.room[:, : self.n_frames]
        return other


class _Lines:
    """Adds up the powers of all transforms of a signal given in blocks, for each pair of channels."""

    def __init__(self, *, n_frames: int, n_pairs: int) -> None:
        self.n_frames = n_frames
        self._overlap = n_frames // 4
        self._hop = n_frames - self._overlap
        rise = np.sin(0.5 * np.pi * (np.arange(self._overlap) + 0.5) / self._overlap)
        self._rise = rise.astype(np.float32)
        # The silence before the recording lets its first frames count in full.
        self._waiting = _Waiting(2 * n_pairs, self._overlap)
        self._transforms = Transforms(n_frames)
        # Of the power of each line and its twin of negative frequency: of left + right, of left - right.
        self._sums = np.zeros((2, n_pairs, n_frames // 2))

    def add(self, planes: Planes) -> None:
        """Take the next block, shape (2 * n_pairs, n); the last channel of an odd number may be missing."""
        self._waiting.add(planes)
        ready = (self._waiting.n_frames - self._overlap) // self._hop // LANES * LANES
        if ready > 0:
            self._transform(self._waiting.room, ready, self._sums)
            self._waiting.drop(ready * self._hop)

    def powers(self, last: NDArray[np.float32] | None = None) -> NDArray[np.float64]:
        """Power of the positive lines, over all windows: of all channels, of left + right, of left - right.

        Shape (3, n_frames // 2). The sum over lines is that of the squares of the samples, but for the line
        at zero, which has no twin and lies in no band. `last` is what would follow; nothing is changed.
        """
        waiting = self._waiting.copy()
        if last is not None:
            waiting.add(last)
        # Silence after the end lets the last frames count in full.
        n_windows = -(-waiting.n_frames // self._hop)
        waiting.add(np.zeros((1, self._overlap + n_windows * self._hop - waiting.n_frames), dtype=np.float32))
        sums = self._sums.copy()
        self._transform(waiting.room, n_windows, sums)
        sums /= self.n_frames
        powers: NDArray[np.float64] = np.array([0.5 * sums.sum(axis=(0, 1)), *sums[:, 0]])
        return powers

    def _transform(self, planes: NDArray[np.float32], n_windows: int, sums: NDArray[np.float64]) -> None:
        """Add the powers of the first windows of `planes`, shape (2 * n_pairs, n), to `sums`."""
        for pair in range(sums.shape[1]):
            left_right = planes[2 * pair : 2 * pair + 2]
            for first in range(0, n_windows, LANES):
                n_lanes = min(LANES, n_windows - first)
                self._transforms.cut(
                    left_right, first * self._hop, self._hop, n_windows=n_lanes, rise=self._rise
                )
                lines, places = self._transforms.transform(), self._transforms.places
                _add_powers(lines, places, sums[0, pair], sums[1, pair])


class _EachOf:
    """Keeps each eighth (or so) frame of a signal given in blocks, after a low-pass."""

    def __init__(self, each: int, *, n_planes: int) -> None:
        self.each = each
        n_taps = LOW_PASS_TAPS_PER_KEPT * each
        position = np.arange(n_taps) - (n_taps - 1) / 2.0
        taps = np.sinc(2.0 * LOW_PASS_CORNER / each * position) * np.kaiser(n_taps, LOW_PASS_BETA)
        self._taps = (taps / taps.sum()).astype(np.float32)
        self._waiting = _Waiting(n_planes, n_taps - 1)

    def kept(self, planes: Planes) -> NDArray[np.float32]:
        """The frames that are kept of the next block, shape (n_planes, n)."""
        self._waiting.add(planes)
        kept = self._low_passed(self._waiting)
        self._waiting.drop(kept.shape[1] * self.each)
        return kept

    def rest(self) -> NDArray[np.float32]:
        """What rings on after the last block; nothing is changed."""
        waiting = self._waiting.copy()
        waiting.add(np.zeros((1, self._taps.size), dtype=np.float32))
        return self._low_passed(waiting)

    def _low_passed(self, waiting: _Waiting) -> NDArray[np.float32]:
        n_kept = max(0, waiting.n_frames - self._taps.size + self.each) // self.each
        kept = np.empty((waiting.room.shape[0], n_kept), dtype=np.float32)
        _low_pass(waiting.room, self._taps, self.each, kept)
        return kept


def _shares(edges: NDArray[np.float64], *, n_lines: int, line_hz: float) -> NDArray[np.float64]:
    """How much of each line, one line wide, lies in each band; shape (n_bands, n_lines)."""
    beyond = (np.arange(n_lines) + 0.5) * line_hz
    below = np.clip((edges[:, np.newaxis] - beyond) / line_hz + 1.0, 0.0, 1.0)
    share: NDArray[np.float64] = below[1:] - below[:-1]
    return share


@kernel(freedom=ANY_ORDER)
def _add_powers(
    lines: NDArray[np.float32],
    places: NDArray[np.int64],
    added: NDArray[np.float64],
    taken_off: NDArray[np.float64],
) -> None:
    """Add what left + right and left - right hold at each line and its twin of negative frequency.

    `lines` are transforms of left + j right, in rows as `Transforms` leaves them; all its lanes count. With Z
    = a + jb at a line and c + jd at its twin, 2 left = (a + c) + j(b - d) and 2 right = (b + d) + j(c - a);
    so half the power of left + right, both lines together, is (a + d)^2 + (b + c)^2, and that of left -
    right is (a - d)^2 + (b - c)^2. Nothing large is taken from something large here, as where powers are
    subtracted: what is the same in both channels leaves no dust at the side.
    """
    n_lines, n_lanes = lines.shape[0], lines.shape[1] // 2
    for at in range(1, added.size):
        line, twin = lines[places[at]], lines[places[n_lines - at]]
        a, b, c, d = line[:n_lanes], line[n_lanes:], twin[:n_lanes], twin[n_lanes:]
        sum_power = difference_power = np.float32(0.0)
        for lane in range(n_lanes):
            x, y = a[lane] + d[lane], b[lane] + c[lane]
            sum_power += x * x + y * y
            x, y = a[lane] - d[lane], b[lane] - c[lane]
            difference_power += x * x + y * y
        added[at] += sum_power
        taken_off[at] += difference_power


@kernel(freedom=ANY_ORDER)
def _low_pass(
    planes: NDArray[np.float32], taps: NDArray[np.float32], each: int, kept: NDArray[np.float32]
) -> None:
    """Filter each plane and keep each so many frames: as many as `kept` has room for."""
    for plane in range(kept.shape[0]):
        for at in range(kept.shape[1]):
            part = planes[plane, at * each : at * each + taps.size]
            total = np.float32(0.0)
            for tap in range(taps.size):
                total += taps[tap] * part[tap]
            kept[plane, at] = total
