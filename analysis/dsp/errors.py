"""What a measure refuses, and the two checks that every measure begins with."""

import numpy as np
from numpy.typing import NDArray

# Below 8 kHz the weighting filter's shelf near 1.7 kHz no longer fits under half the rate with room to spare;
# 768 kHz is the highest rate that converters are sold for. Common practice, no source.
LOWEST_RATE_HZ = 8_000
HIGHEST_RATE_HZ = 768_000


class ShapeError(ValueError):
    """An array has the wrong number of axes, channels or frames for the measure."""


class RateError(ValueError):
    """A sampling rate is not one that the measure is defined for."""


class SampleError(ValueError):
    """Samples are not finite numbers, or lie so far beyond full scale that they cannot be audio."""


def require_audio(audio: NDArray[np.floating] | NDArray[np.int32], *, n_channels: int | None = None) -> None:
    """Raise ShapeError unless `audio` is (n_frames, n_channels) with at least one channel."""
    if audio.ndim != 2 or audio.shape[1] == 0:
        raise ShapeError(f"expected audio of shape (n_frames, n_channels), got {audio.shape}")
    if n_channels is not None and audio.shape[1] != n_channels:
        raise ShapeError(f"expected {n_channels} channels, got {audio.shape[1]}")


def require_rate(rate_hz: int) -> None:
    """Raise RateError unless `rate_hz` is a rate that audio is kept at."""
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise RateError(
            f"a sampling rate of {rate_hz} Hz is outside {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz"
        )
