"""A noise at the match level, by which a listener sets the monitors once, before the first copy."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis import audiofile
from analysis.dsp import meter

# EBU Tech 3343, clause 8.2, sets loudspeakers with noise of this band, as told in the EBU's technical news of
# March 2016.
LOWEST_HZ, HIGHEST_HZ = 500.0, 2000.0
# Above -10 LUFS the noise would pass full scale; below -60 nobody sets monitors by it (no source).
LOUDEST_LUFS, SOFTEST_LUFS = -10.0, -60.0
SEED = 3343


def address_of_level(level_lufs: float | None) -> str | None:
    """The level as the noise's address has it, to a tenth; None where there is no noise at it."""
    if level_lufs is None or not SOFTEST_LUFS <= round(level_lufs, 1) <= LOUDEST_LUFS:
        return None
    return f"{level_lufs:.1f}"


def level_noise(level_lufs: float, *, rate_hz: int = 48_000, duration_s: float = 10.0) -> NDArray[np.float64]:
    """Pink noise between 500 and 2000 Hz that loops without a seam, shape (n_frames, 2).

    The channels are independent, so that it sounds between the loudspeakers rather than from one point. Its
    integrated loudness is `level_lufs`. Made from random phases at whole multiples of 1 / `duration_s`,
    hence periodic, hence seamless; always the same. Raises ValueError for a level at which it would pass full
    scale.
    """
    frames = round(rate_hz * duration_s)
    frequency_hz = np.fft.rfftfreq(frames, 1.0 / rate_hz)
    inside = (frequency_hz >= LOWEST_HZ) & (frequency_hz <= HIGHEST_HZ)
    phase = np.random.default_rng(SEED).uniform(0.0, 2.0 * np.pi, (2, frequency_hz.size))
    magnitude = np.zeros(frequency_hz.size)
    magnitude[inside] = 1.0 / np.sqrt(frequency_hz[inside])  # equal power an octave
    audio = np.fft.irfft(magnitude * np.exp(1j * phase), frames).T
    audio /= np.max(np.abs(audio))

    found = meter.measure([audio], rate_hz=rate_hz, n_channels=2)
    audio *= 10.0 ** ((level_lufs - found.integrated_lufs) / 20.0)
    if np.max(np.abs(audio)) > 1.0:
        raise ValueError(f"noise at {level_lufs} LUFS would pass full scale")
    return audio


def write_level_noise(path: Path, level_lufs: float) -> None:
    """Write the noise as 24-bit FLAC at 48 kHz."""
    audiofile.write_flac(path, [level_noise(level_lufs)], rate_hz=48_000, channels=2)
