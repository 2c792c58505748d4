"""The meter: every measure of a recording in one pass over its blocks."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, fields
from typing import cast

import numpy as np
from numpy.typing import NDArray

from analysis.dsp import loudness, stereo
from analysis.dsp.dynamics import Dynamics
from analysis.dsp.errors import require_audio
from analysis.dsp.kernels import kernel
from analysis.dsp.loudness import StepEnergy
from analysis.dsp.spectrum import Spectrum
from analysis.dsp.steps import STEPS_PER_READING
from analysis.dsp.truepeak import TruePeak

# Longer blocks are measured in pieces: what is in work then stays in the processor's own memory.
PIECE_FRAMES = 32_768
INT32_SCALE = 2.0**-31
Block = NDArray[np.float64] | NDArray[np.float32] | NDArray[np.int32]


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
    min_correlation: float  # the lowest of `correlation_readings`; nan where there is none
    mono_loss_db: float  # inf for an inverted channel; nan for silence
    noise_floor_dbfs: float  # nan below 0.4 s, and where every 0.4 s hold digital silence
    leading_silence_s: float  # below -60 dBFS
    trailing_silence_s: float
    true_peaks_dbtp: NDArray[np.float64]  # one a channel
    short_term_lufs: NDArray[np.float64]  # one reading each 100 ms; the first is of 0 to 3 s
    momentary_lufs: NDArray[np.float64]  # one reading each 100 ms; the first is of 0 to 0.4 s
    correlation_readings: NDArray[np.float64]  # each 100 ms, of 0 to 0.4 s first; nan where it is too quiet
    # One a band of `spectrum.NOMINAL_HZ`, re a full-scale sine; nan above half the rate.
    third_octave_dbfs: NDArray[np.float64]
    third_octave_mid_dbfs: NDArray[np.float64]
    third_octave_side_dbfs: NDArray[np.float64]

    def as_json_dict(
        self, names: Iterable[str] | None = None, *, digits_in_lists: int | None = None
    ) -> dict[str, object]:
        """The named fields, or all, the series as lists; None for what is not finite: JSON has no infinity.

        Numbers in lists are rounded to so many digits after the point, if that is given.
        """
        wanted = [field.name for field in fields(self)] if names is None else names
        found = {name: getattr(self, name) for name in wanted}
        return {
            name: _json_list(value, digits_in_lists) if isinstance(value, np.ndarray) else _json_number(value)
            for name, value in found.items()
        }


@dataclass(frozen=True, slots=True)
class Levels:
    """What a level plan goes by: to the last bit what `Measures` has under these names."""

    integrated_lufs: float  # nan below 0.4 s; silence reads -inf
    true_peak_dbtp: float  # silence reads -inf


class LevelMeter:
    """Measures loudness and true peak of a recording given in blocks of any length, and nothing else.

    In memory that grows only with its 10 ms series. Raises RateError for a rate that audio is not kept at,
    ShapeError for other than 1, 2, 5 or 6 channels.
    """

    def __init__(self, *, rate_hz: int, n_channels: int) -> None:
        self._rate_hz = rate_hz
        self._n_channels = n_channels
        self._energy = StepEnergy(rate_hz=rate_hz, n_channels=n_channels)
        self._true_peak = TruePeak(rate_hz=rate_hz, n_channels=n_channels)
        self._room = np.empty(n_channels * PIECE_FRAMES)  # for the piece in work; asked for once

    def add(self, audio: Block) -> None:
        """Take the next block, shape (n_frames, n_channels).

        Floats have full scale 1.0; int32 has its most significant bit at the top of the word, as `audiofile`
        stores it, and nothing of it is lost. Raises ShapeError for another number of channels, SampleError
        for a sample that is not a finite number; a meter that has refused a block cannot be used any further.
        """
        require_audio(audio, n_channels=self._n_channels)
        scale = stored_scale(audio)
        for at in range(0, audio.shape[0], PIECE_FRAMES):
            block = cast(Block, np.ascontiguousarray(audio[at : at + PIECE_FRAMES]))
            planes = self._room[: block.size].reshape(self._n_channels, block.shape[0])
            _spread(block, scale, planes)
            self._add_piece(planes.T)  # the same samples, channel after channel in memory

    def levels(self) -> Levels:
        """What has been measured so far; more blocks may follow."""
        gating_blocks, _ = self._readings(self._energy.energy(), loudness.MOMENTARY_STEPS)
        return Levels(loudness.gated_loudness(gating_blocks), float(self._true_peaks_dbtp().max()))

    def _true_peaks_dbtp(self) -> NDArray[np.float64]:
        return np.array([_db(peak) for peak in self._true_peak.peaks().tolist()])

    def _add_piece(self, piece: NDArray[np.float64]) -> None:
        self._energy.add(piece)  # first, because it refuses what is not a number
        self._true_peak.add(piece)

    def _readings(self, energy: NDArray[np.float64], n_steps: int) -> tuple[NDArray[np.float64], float]:
        """The power of windows 100 ms apart, and the loudness in LUFS of the loudest, 10 ms apart."""
        power = loudness.window_power(energy, n_steps=n_steps, rate_hz=self._rate_hz)
        return power[::STEPS_PER_READING].copy(), _highest_lufs(power)


class Meter(LevelMeter):
    """Measures everything of a recording given in blocks of any length.

    Memory and refusals are those of LevelMeter.
    """

    def __init__(self, *, rate_hz: int, n_channels: int) -> None:
        super().__init__(rate_hz=rate_hz, n_channels=n_channels)
        self._dynamics = Dynamics(rate_hz=rate_hz, n_channels=n_channels)
        self._spectrum = Spectrum(rate_hz=rate_hz, n_channels=n_channels)

    def _add_piece(self, piece: NDArray[np.float64]) -> None:
        self._dynamics.add(piece)  # first, because it refuses what is not a number
        super()._add_piece(piece)
        self._spectrum.add(piece)

    def result(self) -> Measures:
        """What has been measured so far; more blocks may follow."""
        energy = self._energy.energy()
        gating_blocks, max_momentary_lufs = self._readings(energy, loudness.MOMENTARY_STEPS)
        short_term, max_short_term_lufs = self._readings(energy, loudness.SHORT_TERM_STEPS)
        short_term_lufs = loudness.to_lufs(short_term)
        integrated_lufs = loudness.gated_loudness(gating_blocks)
        true_peaks_dbtp = self._true_peaks_dbtp()
        true_peak_dbtp = float(true_peaks_dbtp.max())
        dynamics = self._dynamics
        # Of the products those that stereo reads: left * left, right * right, left * right.
        kinds = [0, min(1, self._n_channels - 1), self._n_channels]
        products = dynamics.products.total()[kinds]
        step_products = dynamics.products.whole_steps()
        correlation_readings = stereo.correlation_readings(
            step_products[kinds] if kinds != [0, 1, 2] else step_products, rate_hz=self._rate_hz
        )
        bands = self._spectrum.third_octaves()
        return Measures(
            integrated_lufs=integrated_lufs,
            loudness_range_lu=loudness.loudness_range(short_term_lufs),
            max_momentary_lufs=max_momentary_lufs,
            max_short_term_lufs=max_short_term_lufs,
            true_peak_dbtp=true_peak_dbtp,
            sample_peak_dbfs=_db(dynamics.sample_peak),
            peak_to_loudness_lu=true_peak_dbtp - integrated_lufs
            if math.isfinite(integrated_lufs)
            else math.nan,
            crest_db=dynamics.crest_db,
            dc_offset=dynamics.dc_offset,
            clipped_runs=dynamics.clipped_runs,
            correlation=float(stereo.correlation(products)),
            silent=dynamics.sample_peak == 0.0,
            frames=dynamics.n_frames,
            min_correlation=_lowest(correlation_readings),
            mono_loss_db=stereo.mono_loss_db(products),
            noise_floor_dbfs=dynamics.noise_floor_dbfs,
            leading_silence_s=dynamics.leading_silence_frames / self._rate_hz,
            trailing_silence_s=dynamics.trailing_silence_frames / self._rate_hz,
            true_peaks_dbtp=true_peaks_dbtp,
            short_term_lufs=short_term_lufs,
            momentary_lufs=loudness.to_lufs(gating_blocks),
            correlation_readings=correlation_readings,
            third_octave_dbfs=bands.mean_dbfs,
            third_octave_mid_dbfs=bands.mid_dbfs,
            third_octave_side_dbfs=bands.side_dbfs,
        )


def measure(blocks: Iterable[Block], *, rate_hz: int, n_channels: int) -> Measures:
    """Measure a recording from its blocks, each (n_frames, n_channels). Raises as Meter and its `add` do."""
    meter = Meter(rate_hz=rate_hz, n_channels=n_channels)
    for audio in blocks:
        meter.add(audio)
    return meter.result()


def warm_up() -> None:
    """Have every loop compiled, or loaded where it was before: then the first recording is not slow.

    Takes a fraction of a second, but some ten seconds where nothing is kept from an earlier start.
    """
    clipped = np.full((PIECE_FRAMES, 2), np.iinfo(np.int32).max, dtype=np.int32)
    for audio in (clipped, clipped.astype(np.float32) / 2.0**31, clipped / 2.0**31):
        measure([audio], rate_hz=48_000, n_channels=2)


def full_scale(audio: Block) -> NDArray[np.float64]:
    """A block as float64 with full scale 1.0, whichever way its samples are stored; shape as given."""
    return np.multiply(audio, stored_scale(audio), dtype=np.float64)


def stored_scale(audio: Block) -> float:
    """What takes a sample of a block to full scale 1.0, by the way it is stored."""
    return INT32_SCALE if audio.dtype == np.int32 else 1.0


@kernel()
def _spread(block: Block, scale: float, planes: NDArray[np.float64]) -> None:
    """Scale a block, shape (n_frames, n_channels), into planes, shape (n_channels, n_frames)."""
    if block.shape[1] == 2:
        # One row, in which the compiler knows how far apart the two are: so it reads several at once.
        row, left, right = block.reshape(-1), planes[0], planes[1]
        for frame in range(left.size):
            left[frame] = row[2 * frame] * scale
            right[frame] = row[2 * frame + 1] * scale
        return
    for channel in range(block.shape[1]):
        plane = planes[channel]
        for frame in range(plane.size):
            plane[frame] = block[frame, channel] * scale


def _lowest(readings: NDArray[np.float64]) -> float:
    """The smallest that is not nan; nan if there is none."""
    return float(np.nanmin(readings)) if np.isfinite(readings).any() else math.nan


def _highest_lufs(power: NDArray[np.float64]) -> float:
    """Loudness of the largest power; nan if there is none."""
    return float(loudness.to_lufs(power.max())) if power.size else math.nan


def _db(amplitude: float) -> float:
    """Decibels of a linear amplitude, full scale 1.0; -inf for 0."""
    return 20.0 * math.log10(amplitude) if amplitude else -math.inf


def _json_number(value: float) -> float | None:
    """The number itself (bool and int too), or None where it is not finite."""
    return value if math.isfinite(value) else None


def _json_list(values: NDArray[np.float64], digits: int | None) -> list[float | None]:
    rounded = values if digits is None else np.round(values, digits)
    return [_json_number(value) for value in rounded.tolist()]
