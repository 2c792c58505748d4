"""True peak: how far the waveform reaches between the samples (ITU-R BS.1770-5, Annex 2).

Nearly all of the search is skipped, exactly. Between two samples the interpolated curve cannot leave the
larger of them by more than a known multiple of the sharpest bend nearby; where that cannot beat the highest
peak found so far, nothing is interpolated. On music about one stretch in a thousand is left, on white noise
most are.
"""

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.errors import require_audio, require_rate
from analysis.dsp.kernels import MAGNITUDE, kernel

# BS.1770-5, Annex 2: 4x at 48 kHz, less at higher rates. Each limit lies a little below the rates it is for.
FOURFOLD_BELOW_HZ = 88_200
TWOFOLD_BELOW_HZ = 176_400

TAPS_EACH_SIDE = 24  # at most STRETCH_FRAMES
KAISER_BETA = 6.0
STRETCH_FRAMES = 32

# What an interpolated value needs beyond its own gap between two samples.
BEFORE = TAPS_EACH_SIDE - 1
AFTER = TAPS_EACH_SIDE
TAPS = 2 * TAPS_EACH_SIDE


def oversampling(*, rate_hz: int) -> int:
    """How many values are looked at per sample: 4 below 88.2 kHz, 2 at 88.2 and 96 kHz, 1 from 176.4 kHz."""
    require_rate(rate_hz)
    if rate_hz < FOURFOLD_BELOW_HZ:
        return 4
    return 2 if rate_hz < TWOFOLD_BELOW_HZ else 1


def interpolator(fold: int) -> NDArray[np.float64]:
    """Taps for the values between two samples, shape (TAPS, fold - 1).

    Column k is for the value at (k + 1) / fold of the way.

    A sinc under a Kaiser window. BS.1770-5 gives 12 taps a value as one example that does; they pass 20 kHz
    at 44.1 kHz 2.4 dB low. With 48 it passes within 0.02 dB, and the samples themselves stay as they are: a
    true peak never reads below the sample peak. Constants and straight lines are interpolated without error,
    which `_bend_limit` relies on; the correction for that is in the fourth decimal.
    """
    position = np.arange(-BEFORE, AFTER + 1, dtype=np.float64)
    taps = np.empty((position.size, fold - 1))
    for column in range(fold - 1):
        between = (column + 1) / fold
        distance = position - between
        inside = np.sqrt(np.maximum(0.0, 1.0 - (distance / TAPS_EACH_SIDE) ** 2))
        window = np.i0(KAISER_BETA * inside) / np.i0(KAISER_BETA)
        ideal = np.sinc(distance) * window
        # Two conditions, sum(taps) = 1 and sum(taps * distance) = 0, met by adding (p + q * distance) *
        # window.
        moments = np.array([[np.sum(window * distance ** (i + j)) for j in (0, 1)] for i in (0, 1)])
        missing = np.array([1.0 - ideal.sum(), -np.sum(ideal * distance)])
        p, q = np.linalg.solve(moments, missing)
        taps[:, column] = ideal + (p + q * distance) * window
    return taps


def _reach_limit(taps: NDArray[np.float64]) -> float:
    """How far a value can reach, per unit of the largest sample among those that its taps touch."""
    return float(np.abs(taps).sum(axis=0).max())


def _bend_limit(taps: NDArray[np.float64]) -> float:
    """How far a value can leave the straight line between its samples, per unit of second difference.

    Taps minus the straight line sum to zero and have no slope, so they are the second difference of some g:
    the value differs from the line by sum(g * second differences), at most sum(|g|) times the largest.
    """
    fold = taps.shape[1] + 1
    away = taps.copy()
    for column in range(fold - 1):
        between = (column + 1) / fold
        away[BEFORE, column] -= 1.0 - between
        away[BEFORE + 1, column] -= between
    g = np.cumsum(np.cumsum(away, axis=0), axis=0)
    return float(np.abs(g).sum(axis=0).max())


class TruePeak:
    """Follows the true peak of each channel of a recording given in blocks. Raises RateError.

    A gap between two samples counts where the recording itself holds all that its value depends on; the
    outermost 24 samples at either end (half a millisecond at 48 kHz) count by their samples only. The trap:
    taking what lies outside as zero makes a click of an abrupt start, and lets a tone that starts mid-wave
    read 1.1 dB high, far outside Tech 3341's +0.2 dB for its cases 15 to 19.
    """

    def __init__(self, *, rate_hz: int, n_channels: int) -> None:
        self._n_channels = n_channels
        self._peak = np.zeros(n_channels)
        taps = interpolator(oversampling(rate_hz=rate_hz))
        self._taps = np.ascontiguousarray(taps.T)  # shape (fold - 1, TAPS)
        self._limits = (_reach_limit(taps), _bend_limit(taps)) if taps.size else (0.0, 0.0)
        self._held = np.zeros((n_channels, 0))  # samples whose gaps wait for more to follow

    def add(self, audio: NDArray[np.float64]) -> None:
        """Take the next block, shape (n_frames, n_channels). Raises ShapeError for other channels."""
        require_audio(audio, n_channels=self._n_channels)
        planes, n_held = np.ascontiguousarray(audio.T), self._held.shape[1]
        if planes.shape[1] >= TAPS + STRETCH_FRAMES:
            # The gaps of the samples that waited, with what they needed to see, and then those of the block.
            self._search(np.concatenate((self._held, planes[:, : TAPS + STRETCH_FRAMES]), axis=1), n_held)
        else:
            planes = np.concatenate((self._held, planes), axis=1)
        # Whole stretches only: the samples of an unfinished one wait for the rest of it.
        n_gaps = max(0, planes.shape[1] - BEFORE - AFTER) // STRETCH_FRAMES * STRETCH_FRAMES
        self._search(planes, n_gaps)
        self._held = planes[:, n_gaps:].copy()

    def peaks(self) -> NDArray[np.float64]:
        """True peak of each channel so far, shape (n_channels,), linear, full scale 1.0. Silence gives 0."""
        so_far, n_gaps = self._peak.copy(), max(0, self._held.shape[1] - BEFORE - AFTER)
        # Silence to fill the last stretch up; only the gaps of what was heard are looked at.
        self._search(np.pad(self._held, ((0, 0), (0, STRETCH_FRAMES))), n_gaps)
        found, self._peak = self._peak, so_far
        return found

    def _search(self, planes: NDArray[np.float64], n_gaps: int) -> None:
        _raise_peaks(planes, planes.view(np.int64), n_gaps, self._taps, self._limits, self._peak)


# What rounding can add to a bound or to an interpolated value, per unit of the peak. Some hundred roundings
# of a float64 are 2e-14; the rest is room.
ROUNDING = 1e-12
UNKNOWN = -1.0  # less than any bend


@kernel()
def _raise_peaks(
    planes: NDArray[np.float64],
    bits: NDArray[np.int64],
    n_gaps: int,
    taps: NDArray[np.float64],
    limits: tuple[float, float],
    peaks: NDArray[np.float64],
) -> None:
    """Raise each channel's peak to its samples and to the values in the first `n_gaps` gaps after BEFORE.

    The samples must reach past the last gap by AFTER, and past its stretch by AFTER, too. `bits` are those of
    the samples, see `MAGNITUDE`.
    """
    reach_limit, bend_limit = limits
    # A stretch is its samples and the gap after each. Its taps reach less than a stretch past it: into its
    # two neighbours. Number 0 is what lies before the first, the last what lies after them.
    n_stretches = (n_gaps + STRETCH_FRAMES - 1) // STRETCH_FRAMES
    largest, sharpest = np.zeros(n_stretches + 2), np.zeros(n_stretches + 2)
    could_reach = np.zeros(n_stretches + 2)
    values = np.empty(STRETCH_FRAMES)
    largest_bits, sharpest_bits, values_bits = (
        largest.view(np.int64),
        sharpest.view(np.int64),
        values.view(np.int64),
    )
    for channel in range(planes.shape[0]):
        samples = planes[channel]
        for stretch in range(n_stretches + 2):
            at = BEFORE + (stretch - 1) * STRETCH_FRAMES
            part, highest = bits[channel, max(0, at) : at + STRETCH_FRAMES], np.int64(0)
            for frame in range(part.size):
                magnitude = part[frame] & MAGNITUDE
                highest = magnitude if magnitude > highest else highest
            largest_bits[stretch] = highest
        peak = max(peaks[channel], largest.max())
        enough = peak * (1.0 - ROUNDING)

        # The samples alone rule most stretches out; only for the others ask how sharply they bend.
        sharpest[:] = UNKNOWN
        most_promising = 0
        for stretch in range(1, n_stretches + 1):
            around = max(largest[stretch - 1], largest[stretch], largest[stretch + 1])
            could_reach[stretch] = reach_limit * around
            if could_reach[stretch] <= enough:
                continue
            for near in range(stretch - 1, stretch + 2):
                if sharpest[near] != UNKNOWN:
                    continue
                at = BEFORE + (near - 1) * STRETCH_FRAMES
                part = samples[max(0, at - 1) : at + STRETCH_FRAMES + 1]
                highest = np.int64(0)
                for frame in range(part.size - 2):
                    values[frame] = part[frame] - 2.0 * part[frame + 1] + part[frame + 2]
                for frame in range(part.size - 2):
                    magnitude = values_bits[frame] & MAGNITUDE
                    highest = magnitude if magnitude > highest else highest
                sharpest_bits[near] = highest
            # Its last gap ends on the first sample of the next.
            ends = max(largest[stretch], abs(samples[BEFORE + stretch * STRETCH_FRAMES]))
            bend = max(sharpest[stretch - 1], sharpest[stretch], sharpest[stretch + 1])
            could_reach[stretch] = min(could_reach[stretch], ends + bend_limit * bend)
            if could_reach[stretch] > could_reach[most_promising]:
                most_promising = stretch

        for turn in range(n_stretches + 1):
            # The most promising first: what it reaches rules out most of the others.
            stretch = turn if turn else most_promising
            if could_reach[stretch] <= peak * (1.0 - ROUNDING):
                continue
            at = (stretch - 1) * STRETCH_FRAMES
            width = min(STRETCH_FRAMES, n_gaps - at)
            for between in range(taps.shape[0]):
                values[:] = 0.0
                for tap in range(TAPS):
                    share = taps[between, tap]
                    shifted = samples[at + tap : at + tap + width]
                    for gap in range(width):
                        values[gap] += share * shifted[gap]
                for gap in range(width):
                    magnitude = abs(values[gap])
                    peak = magnitude if magnitude > peak else peak
        peaks[channel] = peak
