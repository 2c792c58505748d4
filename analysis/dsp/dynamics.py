"""Levels of the samples themselves: peak, power, offset, clipping, noise floor, and silence at the ends."""

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.errors import SampleError, require_audio
from analysis.dsp.kernels import ANY_ORDER, MAGNITUDE, kernel
from analysis.dsp.steps import STEPS_PER_READING, StepSums, window_frames, window_sums

# A run of clipped samples: at least this many neighbours in one channel, all equal and all at full scale.
# Values beyond full scale count as full scale, as a converter would play them. Common practice, no source.
CLIPPED_RUN_SAMPLES = 3
# Positive full scale of 16 bit, so that a clipped 16-bit recording is also found inside a 24-bit or float
# file.
CLIPPED_FROM = 1.0 - 2.0**-15

# A frame with every channel below this is silence at the start or end of a recording. Common practice, no
# source.
SILENT_BELOW_DBFS = -60.0
SILENT_BELOW = 10.0 ** (SILENT_BELOW_DBFS / 20.0)

# AES17 gives levels re the RMS of a sine that just reaches full scale: 3.01 dB below a mean power of 1
# (clause from memory: definitions, "decibels, full scale").
SINE_DB = 10.0 * np.log10(2.0)

# The noise floor is the level of the quietest 400 ms, looked for each 100 ms, that hold no digital silence.
# Common practice, no source.
NOISE_STEPS = 40

# Larger than any float32; beyond it, squares overflow and no level is meaningful.
LARGEST_SAMPLE = 1e39


class Dynamics:
    """Collects the levels of a recording given in blocks. Raises RateError.

    `products` holds, over each 10 ms step, the sum of squares of each channel and last the sum of left *
    right, the first two channels (of a single one its squares again): `stereo` reads them.
    """

    def __init__(self, *, rate_hz: int, n_channels: int) -> None:
        self._rate_hz = rate_hz
        self._n_channels = n_channels
        self.n_frames = 0
        self.sample_peak = 0.0
        self.clipped_runs = 0
        self._sum = np.zeros(n_channels)
        self.products = StepSums(rate_hz=rate_hz, n_kinds=n_channels + 1)
        # For each channel the sample that a clipped run would go on with, and how long that run is.
        self._run_level = np.zeros(n_channels)
        self._run_samples = np.zeros(n_channels, dtype=np.int64)
        self._first_sound: int | None = None
        self._last_sound: int | None = None

    def add(self, audio: NDArray[np.float64]) -> None:
        """Take the next block, shape (n_frames, n_channels).

        Raises ShapeError for another number of channels, SampleError for a sample that is not a finite
        number; nothing of that block is counted then.
        """
        require_audio(audio, n_channels=self._n_channels)
        if not audio.shape[0]:
            return
        planes = np.ascontiguousarray(audio.T)
        bounds = self.products.bounds(audio.shape[0])
        products = np.zeros((self._n_channels + 1, bounds.size - 1))
        sums, step_peaks = np.zeros(self._n_channels), np.zeros((self._n_channels, bounds.size - 1))
        _add_products(planes, bounds, products, sums)
        _raise_peaks(planes.view(np.int64), bounds, step_peaks.view(np.int64))
        peak = float(step_peaks.max())
        if not (np.isfinite(products).all() and peak <= LARGEST_SAMPLE):
            raise SampleError("the audio holds samples that are not finite numbers")
        self.products.add(products, audio.shape[0])
        self._sum += sums
        if peak >= CLIPPED_FROM:
            self.clipped_runs += _clipped_runs(planes, bounds, step_peaks, self._run_level, self._run_samples)
        else:
            self._run_samples[:] = 0
        if peak >= SILENT_BELOW:
            self._note_sound(planes)
        self.sample_peak = max(self.sample_peak, peak)
        self.n_frames += audio.shape[0]

    @property
    def mean_square(self) -> float:
        """Mean power over all samples of all channels; 0 for silence, nan before the first frame."""
        if not self.n_frames:
            return float("nan")
        return float(self.products.total()[:-1].sum()) / (self.n_frames * self._n_channels)

    @property
    def crest_db(self) -> float:
        """Sample peak over RMS, both taken over all channels together. nan for silence, 3.01 for a sine."""
        if not self.sample_peak:
            return float("nan")
        return float(20.0 * np.log10(self.sample_peak) - 10.0 * np.log10(self.mean_square))

    @property
    def dc_offset(self) -> float:
        """The mean, of the channel where it is farthest from zero; full scale 1.0, nan without frames."""
        if not self.n_frames:
            return float("nan")
        mean = self._sum / self.n_frames
        return float(mean[np.argmax(np.abs(mean))])

    @property
    def noise_floor_dbfs(self) -> float:
        """Level of the quietest 400 ms, all channels together, re a full-scale sine.

        Windows with a digitally silent 10 ms in them do not count: an edit has no noise. nan where none is
        left. It is an upper bound: of a recording that never pauses it is its quietest moment.
        """
        squares = self.products.whole_steps()[:-1].sum(axis=0)
        # The marks in bytes, because of an hour the squares alone are 3 MB.
        sums, silent_steps = (
            window_sums(kind, n_steps=NOISE_STEPS, each=STEPS_PER_READING)
            for kind in (squares, squares == 0.0)
        )
        frames = window_frames(sums.size, n_steps=NOISE_STEPS, each=STEPS_PER_READING, rate_hz=self._rate_hz)
        counted = silent_steps < 0.5
        if not counted.any():
            return float("nan")
        quietest = (sums[counted] / frames[counted]).min() / self._n_channels
        return float(10.0 * np.log10(quietest) + SINE_DB)

    @property
    def leading_silence_frames(self) -> int:
        """Frames before the first that reaches -60 dBFS; all of them if none does."""
        return self.n_frames if self._first_sound is None else self._first_sound

    @property
    def trailing_silence_frames(self) -> int:
        """Frames after the last that reaches -60 dBFS; all of them if none does."""
        return self.n_frames if self._last_sound is None else self.n_frames - 1 - self._last_sound

    def _note_sound(self, planes: NDArray[np.float64]) -> None:
        """Remember where sound was first and last seen; the block, shape (n_channels, n), holds some."""
        n_frames = planes.shape[1]
        if self._first_sound is None:
            self._first_sound = self.n_frames + min(_silent_frames(plane, False) for plane in planes)
        after = min(_silent_frames(plane, True) for plane in planes)
        self._last_sound = self.n_frames + n_frames - 1 - after


@kernel(freedom=ANY_ORDER)
def _add_products(
    planes: NDArray[np.float64],
    bounds: NDArray[np.int64],
    products: NDArray[np.float64],
    sums: NDArray[np.float64],
) -> None:
    """Add each channel's squares, and left * right, between neighbouring bounds; to `sums` its samples."""
    n_channels = planes.shape[0]
    for step in range(bounds.size - 1):
        for channel in range(n_channels):
            squares = total = 0.0
            part = planes[channel, bounds[step] : bounds[step + 1]]
            for frame in range(part.size):
                squares += part[frame] * part[frame]
                total += part[frame]
            products[channel, step] += squares
            sums[channel] += total
        left = planes[0, bounds[step] : bounds[step + 1]]
        right = planes[min(1, n_channels - 1), bounds[step] : bounds[step + 1]]
        left_right = 0.0
        for frame in range(left.size):
            left_right += left[frame] * right[frame]
        products[n_channels, step] += left_right


@kernel()
def _raise_peaks(bits: NDArray[np.int64], bounds: NDArray[np.int64], peaks: NDArray[np.int64]) -> None:
    """Raise each channel's peak between neighbouring bounds to its largest magnitude; see `MAGNITUDE`."""
    for channel in range(bits.shape[0]):
        for step in range(bounds.size - 1):
            part, peak = bits[channel, bounds[step] : bounds[step + 1]], peaks[channel, step]
            for frame in range(part.size):
                magnitude = part[frame] & MAGNITUDE
                peak = magnitude if magnitude > peak else peak
            peaks[channel, step] = peak


@kernel()
def _clipped_runs(
    planes: NDArray[np.float64],
    bounds: NDArray[np.int64],
    step_peaks: NDArray[np.float64],
    run_level: NDArray[np.float64],
    run_samples: NDArray[np.int64],
) -> int:
    """Clipped runs, counted at their third sample, so that one cut by the end of a block is counted once.

    For each channel the level and the length so far of the run that the block before ended with are replaced
    by those that this block ends with.
    """
    runs = 0
    for channel in range(planes.shape[0]):
        level, samples = run_level[channel], run_samples[channel]
        for step in range(bounds.size - 1):
            part = planes[channel, bounds[step] : bounds[step + 1]]
            if step_peaks[channel, step] < CLIPPED_FROM:
                samples = samples if part.size == 0 else 0
                continue
            for sample in part:
                clamped = min(max(sample, -1.0), 1.0)
                if abs(clamped) < CLIPPED_FROM:
                    samples = 0
                    continue
                samples = samples + 1 if samples > 0 and clamped == level else 1
                level = clamped
                if samples == CLIPPED_RUN_SAMPLES:
                    runs += 1
        run_level[channel], run_samples[channel] = level, samples
    return runs


@kernel()
def _silent_frames(plane: NDArray[np.float64], at_end: bool) -> int:
    """How many frames at the start or at the end are silence; all of them if there is no sound."""
    for frame in range(plane.size):
        if abs(plane[plane.size - 1 - frame if at_end else frame]) >= SILENT_BELOW:
            return frame
    return plane.size
