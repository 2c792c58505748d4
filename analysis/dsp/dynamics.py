"""Levels of the samples themselves: peak, mean power, offset, clipping, and silence at the ends."""

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.errors import SampleError, require_audio

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

# Larger than any float32; beyond it, squares overflow and no level is meaningful.
LARGEST_SAMPLE = 1e39


class Dynamics:
    """Collects the levels of a recording given in blocks."""

    def __init__(self, *, n_channels: int) -> None:
        self._n_channels = n_channels
        self.n_frames = 0
        self.sample_peak = 0.0
        self.clipped_runs = 0
        self._sum = np.zeros(n_channels)
        self._sum_squares = np.zeros(n_channels)
        self._last = np.zeros((CLIPPED_RUN_SAMPLES, n_channels))
        self._first_sound: int | None = None
        self._last_sound: int | None = None

    def add(self, audio: NDArray[np.float64]) -> None:
        """Take the next block, shape (n_frames, n_channels).

        Raises ShapeError for another number of channels, SampleError for a sample that is not a finite
        number.
        """
        require_audio(audio, n_channels=self._n_channels)
        if not audio.shape[0]:
            return
        peak = max(float(audio.max()), -float(audio.min()))
        if not peak <= LARGEST_SAMPLE:  # also true of nan
            raise SampleError("the audio holds samples that are not finite numbers")
        self._sum += audio.sum(axis=0)
        self._sum_squares += np.einsum("nc,nc->c", audio, audio)
        self._count_clipped(audio, peak)
        if peak >= SILENT_BELOW:
            self._note_sound(audio)
        self.sample_peak = max(self.sample_peak, peak)
        self.n_frames += audio.shape[0]

    @property
    def mean_square(self) -> float:
        """Mean power over all samples of all channels; 0 for silence, nan before the first frame."""
        if not self.n_frames:
            return float("nan")
        return float(self._sum_squares.sum()) / (self.n_frames * self._n_channels)

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
    def leading_silence_frames(self) -> int:
        """Frames before the first that reaches -60 dBFS; all of them if none does."""
        return self.n_frames if self._first_sound is None else self._first_sound

    @property
    def trailing_silence_frames(self) -> int:
        """Frames after the last that reaches -60 dBFS; all of them if none does."""
        return self.n_frames if self._last_sound is None else self.n_frames - 1 - self._last_sound

    def _count_clipped(self, audio: NDArray[np.float64], peak: float) -> None:
        """Count each run at its third sample, so that a run cut by the end of a block is counted once."""
        if peak >= CLIPPED_FROM:
            level = np.clip(np.concatenate((self._last, audio)), -1.0, 1.0)
            same = (level[1:] == level[:-1]) & (np.abs(level[1:]) >= CLIPPED_FROM)
            self.clipped_runs += int(np.count_nonzero(same[2:] & same[1:-1] & ~same[:-2]))
        self._last = np.concatenate((self._last, audio[-CLIPPED_RUN_SAMPLES:]))[-CLIPPED_RUN_SAMPLES:]

    def _note_sound(self, audio: NDArray[np.float64]) -> None:
        """Remember where sound was first and last seen; `audio` holds at least one frame of it."""
        sounding = ((audio >= SILENT_BELOW) | (audio <= -SILENT_BELOW)).any(axis=1)
        if self._first_sound is None:
            self._first_sound = self.n_frames + int(np.argmax(sounding))
        self._last_sound = self.n_frames + sounding.size - 1 - int(np.argmax(sounding[::-1]))
