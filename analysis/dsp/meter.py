"""The meter: every measure of a recording in one pass over its blocks."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from analysis.dsp import loudness
from analysis.dsp.dynamics import Dynamics
from analysis.dsp.errors import require_audio
from analysis.dsp.loudness import StepEnergy
from analysis.dsp.stereo import Correlation
from analysis.dsp.truepeak import TruePeak


@dataclass(frozen=True, eq=False)
class Measures:
    """What the meter found. Silence reads -inf; what is undefined (see each field) reads nan."""

    integrated_lufs: float  # nan below 0.4 s
    loudness_range_lu: float  # nan below 3 s, and where nothing is above -70 LUFS
    max_momentary_lufs: float  # nan below 0.4 s
    max_short_term_lufs: float  # nan below 3 s
    true_peak_dbtp: float
    sample_peak_dbfs: float
    peak_to_loudness_lu: float  # true peak less integrated loudness; nan where that is not finite
    crest_db: float  # nan for silence
    dc_offset: float  # linear, full scale 1.0; nan without frames
    clipped_runs: int
    correlation: float  # 1 for mono; nan where a channel is silent
    silent: bool  # every sample is zero
    frames: int
    leading_silence_frames: int
    trailing_silence_frames: int
    short_term_lufs: NDArray[np.float64]  # one reading each 100 ms; the first is of 0 to 3 s
    momentary_lufs: NDArray[np.float64]  # one reading each 100 ms; the first is of 0 to 0.4 s

    def as_json_dict(self) -> dict[str, object]:
        """Every field by name, the series as lists; None for what is not finite: JSON has no infinity."""
        found = {field.name: getattr(self, field.name) for field in fields(self)}
        return {
            name: [_json_number(reading) for reading in value.tolist()]
            if isinstance(value, np.ndarray)
            else _json_number(value)
            for name, value in found.items()
        }


class Meter:
    """Measures a recording given in blocks of any length, in memory that grows only with its 10 ms series.

    Raises RateError for a rate that audio is not kept at, ShapeError for other than 1, 2, 5 or 6 channels.
    """

    def __init__(self, *, rate_hz: int, n_channels: int) -> None:
        self._rate_hz = rate_hz
        self._n_channels = n_channels
        self._energy = StepEnergy(rate_hz=rate_hz, n_channels=n_channels)
        self._true_peak = TruePeak(rate_hz=rate_hz, n_channels=n_channels)
        self._dynamics = Dynamics(n_channels=n_channels)
        self._correlation = Correlation(n_channels=n_channels)

    def add(self, audio: NDArray[np.float64]) -> None:
        """Take the next block, shape (n_frames, n_channels), float64, full scale 1.0.

        Raises ShapeError for another number of channels, SampleError for a sample that is not a finite
        number.
        """
        require_audio(audio, n_channels=self._n_channels)
        planar = np.asarray(audio, dtype=np.float64, order="F")  # each measure reads channel by channel
        self._dynamics.add(planar)  # first, because it refuses what is not a number
        self._energy.add(planar)
        self._true_peak.add(planar)
        self._correlation.add(planar)

    def result(self) -> Measures:
        """What has been measured so far; more blocks may follow."""
        energy = self._energy.energy()
        momentary, short_term = (
            loudness.window_power(energy, n_steps=n_steps, rate_hz=self._rate_hz)
            for n_steps in (loudness.MOMENTARY_STEPS, loudness.SHORT_TERM_STEPS)
        )
        gating_blocks = momentary[:: loudness.STEPS_PER_READING]
        short_term_lufs = loudness.to_lufs(short_term[:: loudness.STEPS_PER_READING])
        integrated_lufs = loudness.gated_loudness(gating_blocks)
        true_peak_dbtp = _db(float(self._true_peak.peaks().max()))
        dynamics = self._dynamics
        return Measures(
            integrated_lufs=integrated_lufs,
            loudness_range_lu=loudness.loudness_range(short_term_lufs),
            max_momentary_lufs=_highest_lufs(momentary),
            max_short_term_lufs=_highest_lufs(short_term),
            true_peak_dbtp=true_peak_dbtp,
            sample_peak_dbfs=_db(dynamics.sample_peak),
            peak_to_loudness_lu=true_peak_dbtp - integrated_lufs
            if math.isfinite(integrated_lufs)
            else math.nan,
            crest_db=dynamics.crest_db,
            dc_offset=dynamics.dc_offset,
            clipped_runs=dynamics.clipped_runs,
            correlation=self._correlation.value(),
            silent=dynamics.sample_peak == 0.0,
            frames=dynamics.n_frames,
            leading_silence_frames=dynamics.leading_silence_frames,
            trailing_silence_frames=dynamics.trailing_silence_frames,
            short_term_lufs=short_term_lufs,
            momentary_lufs=loudness.to_lufs(gating_blocks),
        )


def measure(blocks: Iterable[NDArray[np.float64]], *, rate_hz: int, n_channels: int) -> Measures:
    """Measure a recording from its blocks, each (n_frames, n_channels). Raises as Meter and its `add` do."""
    meter = Meter(rate_hz=rate_hz, n_channels=n_channels)
    for audio in blocks:
        meter.add(audio)
    return meter.result()


def _highest_lufs(power: NDArray[np.float64]) -> float:
    """Loudness of the largest power; nan if there is none."""
    return float(loudness.to_lufs(power.max())) if power.size else math.nan


def _db(amplitude: float) -> float:
    """Decibels of a linear amplitude, full scale 1.0; -inf for 0."""
    return 20.0 * math.log10(amplitude) if amplitude else -math.inf


def _json_number(value: float) -> float | None:
    """The number itself (bool and int too), or None where it is not finite."""
    return value if math.isfinite(value) else None
