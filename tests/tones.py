"""Test signals whose measures are known beforehand: (n_frames, n_channels), float64, full scale 1.0."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

Audio = NDArray[np.float64]


def linear(level_db: float) -> float:
    """Amplitude of a level in decibels; full scale is 1.0."""
    return float(10.0 ** (level_db / 20.0))


def sine(
    frequency_hz: float,
    level_dbfs: float,
    duration_s: float,
    *,
    rate_hz: int,
    n_channels: int = 2,
    phase_degrees: float = 0.0,
) -> Audio:
    """The same sine in every channel; its level is that of its crest. Crest factor 3.01 dB, no offset."""
    frames = np.arange(round(duration_s * rate_hz))
    one = np.sin(2.0 * np.pi * frequency_hz * frames / rate_hz + np.radians(phase_degrees))
    return np.tile(linear(level_dbfs) * one[:, np.newaxis], (1, n_channels))


def steps(parts: list[tuple[float, float]], *, rate_hz: int, frequency_hz: float = 1000.0) -> Audio:
    """A stereo sine stepping through (level_dbfs, duration_s), its phase unbroken; level -inf is silence."""
    lengths = [round(duration_s * rate_hz) for _, duration_s in parts]
    gains = np.repeat([linear(level_dbfs) for level_dbfs, _ in parts], lengths)
    carrier = np.sin(2.0 * np.pi * frequency_hz * np.arange(gains.size) / rate_hz)
    return np.tile((gains * carrier)[:, np.newaxis], (1, 2))


def silence(duration_s: float, *, rate_hz: int, n_channels: int = 2) -> Audio:
    """Digital silence: every sample zero."""
    return np.zeros((round(duration_s * rate_hz), n_channels))


def noise(level_dbfs: float, duration_s: float, *, rate_hz: int, n_channels: int = 2, seed: int = 1) -> Audio:
    """White noise of an RMS level, unrelated between channels; the same on every call with the same seed."""
    random = np.random.default_rng(seed)
    return linear(level_dbfs) * random.standard_normal((round(duration_s * rate_hz), n_channels))


def clipped_sine(over_db: float, duration_s: float, *, rate_hz: int, frequency_hz: float = 100.0) -> Audio:
    """A stereo sine driven `over_db` past full scale and cut off: two clipped runs a period and channel."""
    return np.clip(sine(frequency_hz, over_db, duration_s, rate_hz=rate_hz), -1.0, 1.0)


def music_like(duration_s: float, *, rate_hz: int, seed: int = 1) -> Audio:
    """Stereo that moves as music does: a bass line, chords, noise bursts on a beat, a quiet and a loud half.

    Nothing about it is known beforehand; it is for comparing one meter with another. Peaks at -1 dBFS.
    """
    random = np.random.default_rng(seed)
    n_frames = round(duration_s * rate_hz)
    time_s = np.arange(n_frames) / rate_hz
    beat_s = 0.46
    since_beat_s = time_s % beat_s
    beat = (time_s // beat_s).astype(int)
    roots_hz = np.array([55.0, 65.4, 49.0, 73.4])[random.integers(0, 4, size=beat.max() // 4 + 1)][beat // 4]
    phase = 2.0 * np.pi * np.cumsum(roots_hz) / rate_hz
    bass = np.sin(phase) + 0.4 * np.sin(2.0 * phase)
    hiss = random.standard_normal((n_frames + 4, 2))
    # Less and less towards half the rate, as music has: 1, 4, 6, 4, 1 is the softest of short low-passes.
    hiss = sum(weight * hiss[at : at + n_frames] for at, weight in enumerate((0.1, 0.4, 0.6, 0.4, 0.1)))
    drums = hiss * np.exp(-since_beat_s / 0.05)[:, np.newaxis]
    chords = [
        sum(np.sin(ratio * phase + offset) / ratio for ratio in (4.0, 5.0, 6.0, 8.01))
        for offset in random.uniform(0.0, 6.0, size=2)
    ]
    audio = np.column_stack(chords) * 0.5 + bass[:, np.newaxis] * 0.7 + drums * 0.8
    audio *= np.where(time_s < duration_s / 3.0, 0.2, 1.0)[:, np.newaxis]
    return audio * (linear(-1.0) / np.abs(audio).max())


def blocks(audio: Audio, sizes: list[int]) -> Iterator[Audio]:
    """`audio` cut into blocks of these sizes, over and over until it is used up."""
    at = turn = 0
    while at < audio.shape[0]:
        size = sizes[turn % len(sizes)]
        yield audio[at : at + size]
        at, turn = at + size, turn + 1
