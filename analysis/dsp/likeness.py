"""How alike recordings are: exact copies by what is left after subtraction, re-encoded ones by sketches.

A lossy coder adds noise that no subtraction takes off, so a coded copy can null worse than two honest mixes
of one set of stems. Sketches tell them apart: they average the coder's noise away and keep what a mixer
decides.
"""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.crossspectra import CrossSpectra
from analysis.dsp.errors import ShapeError, require_audio
from analysis.dsp.stemfit import solve, unique_power

# Low, because every coder keeps the middle of the spectrum best, and it is where the stems differ.
SKETCH_RATE_HZ = 8_000
LOWEST_HZ, HIGHEST_HZ = 60.0, 3_500.0
STEM_BANDS = 12
CELL_BANDS = 20
# Cells of about 2 s: ten stretches.
CELL_STRETCHES = 10
# From this part of a mix's energy on a stem counts in full: 13 dB under the whole.
FULL_SHARE = 0.05
# A cell this much softer than the loudest one of its band does not count.
SOFTEST_CELL_DB = -30.0
SILENCE_DB = -200.0
DEEPEST_NULL_DB = -150.0
DB_A_NEPER = 20.0 / math.log(10.0)


class NullDepth:
    """What is left of one recording after another, turned to its level, is taken off: block by block.

    Both have the same number of channels, 1 or more; one gain, of either sign, serves all of them.
    """

    def __init__(self) -> None:
        self._own = self._other = self._shared = 0.0

    def add(self, audio: NDArray[np.float64], other: NDArray[np.float64]) -> None:
        """Take the next block of each, both (n_frames, n_channels). Raises ShapeError if they differ."""
        require_audio(audio)
        if audio.shape != other.shape:
            raise ShapeError(f"expected blocks of one shape, got {audio.shape} and {other.shape}")
        self._own += float(np.vdot(audio, audio))
        self._other += float(np.vdot(other, other))
        self._shared += float(np.vdot(audio, other))

    @property
    def depth_db(self) -> float:
        """Energy left over energy before; -150 at the least, 0 where either is silent."""
        return null_depth_db(self.likeness)

    @property
    def gain_db(self) -> float:
        """The gain that the other one needs; nan where either is silent."""
        return 20.0 * math.log10(abs(self._shared) / self._other) if self._shared else math.nan

    @property
    def likeness(self) -> float:
        """The share of energy in common, 0.0 to 1.0: the square of the correlation."""
        both = self._own * self._other
        return min(1.0, self._shared**2 / both) if both else 0.0


def null_depth_db(likeness: float) -> float:
    """What a subtraction leaves of two recordings with this share of energy in common, in dB."""
    return max(DEEPEST_NULL_DB, 10.0 * math.log10(max(1.0 - likeness, 1e-300)))


class StemSketcher:
    """Sketches mixes by how loud each stem is in them.

    Parameters
    ----------
    stems : ndarray, shape (n_frames, n_stems)
        All stems in mono, at `SKETCH_RATE_HZ`.
    """

    def __init__(self, stems: NDArray[np.float32]) -> None:
        require_audio(stems)
        self._stems = stems
        normal = _spectra(stems, n_bands=STEM_BANDS).sum(axis=0, dtype=np.complex128)
        self._power = np.einsum("bii->bi", normal).real
        whole = self._power.sum(axis=0)
        own = unique_power(normal).sum(axis=0)
        self._uniqueness = np.divide(own, whole, out=np.zeros_like(whole), where=whole > 0)

    def sketch(self, mix: NDArray[np.float32]) -> NDArray[np.float64]:
        """The energy of each stem in a mix, shape (n_stems,), linear; 0 where either is silent.

        Only the part of it that no other stem could give as well. `mix` has shape (n_frames, 1 or 2), at
        `SKETCH_RATE_HZ` and aligned to the stems.
        """
        stereo = _in_stereo(mix)
        n_stems = self._stems.shape[1]
        frames = max(len(stereo), len(self._stems))
        both = np.concatenate((_padded(self._stems, frames), _padded(stereo, frames)), axis=1)
        spectra = _spectra(both, n_bands=STEM_BANDS).sum(axis=0, dtype=np.complex128)
        normal, right = spectra[:, :n_stems, :n_stems], spectra[:, :n_stems, n_stems:]
        energy = np.einsum("bi,bic->i", self._power, np.abs(solve(normal, right)) ** 2)
        return np.asarray(energy * self._uniqueness)


def stem_distance_db(sketches: NDArray[np.float64]) -> NDArray[np.float64]:
    """How far the stems of two mixes lie apart, for all pairs.

    Parameters
    ----------
    sketches : ndarray, shape (n_mixes, n_stems)
        As `StemSketcher.sketch` gives them.

    Returns
    -------
    ndarray, shape (n_mixes, n_mixes)
        In dB, less what all stems have in common: the largest move of any stem. The move of a stem that is
        softer than `FULL_SHARE` of the mixes counts less in proportion, because a coder spoils soft stems
        most. A mix without any stem lies inf from all.
    """
    total = sketches.sum(axis=1, keepdims=True)
    shares = np.divide(sketches, total, out=np.zeros_like(sketches), where=total > 0).mean(axis=0)
    weights = np.minimum(1.0, shares / FULL_SHARE)
    is_silent = total[:, 0] <= 0
    levels = 10.0 * np.log10(np.maximum(sketches, 1e-9 * total) + 1e-30)
    levels -= (levels @ weights / max(float(weights.sum()), 1e-30))[:, None]
    apart = np.zeros((len(sketches), len(sketches)))
    for level, weight in zip(levels.T, weights, strict=True):
        np.maximum(apart, weight * np.abs(level[:, None] - level[None, :]), out=apart)
    apart[is_silent] = apart[:, is_silent] = math.inf
    return apart


def cell_sketch(mix: NDArray[np.float32]) -> NDArray[np.float32]:
    """The level of each third of an octave in each 2 s, in dB: shape (n_cells, n_bands, 2).

    `mix` has shape (n_frames, 1 or 2), at `SKETCH_RATE_HZ`; silence reads `SILENCE_DB`.
    """
    matrices = _spectra(_in_stereo(mix), n_bands=CELL_BANDS)
    power = matrices[:, :, (0, 1), (0, 1)].real.astype(np.float64)
    whole = -(-len(power) // CELL_STRETCHES) * CELL_STRETCHES
    power = np.pad(power, ((0, whole - len(power)), (0, 0), (0, 0)))
    cells = power.reshape(-1, CELL_STRETCHES, *power.shape[1:]).sum(axis=1)
    return np.asarray(10.0 * np.log10(cells + 10.0 ** (SILENCE_DB / 10.0)), dtype=np.float32)


def cell_distance_db(sketches: Sequence[NDArray[np.float32]]) -> NDArray[np.float64]:
    """How far the levels of the cells of two mixes lie apart, for all pairs: shape (n, n), in dB.

    The root mean square of the differences, less what all cells have in common, over the cells that sound in
    the median of all mixes. One matrix product. Shorter mixes count as silent after their end. A silent mix
    lies inf from all.
    """
    n_cells = max(len(sketch) for sketch in sketches)
    together = np.full((len(sketches), n_cells, *sketches[0].shape[1:]), SILENCE_DB, np.float32)
    for one, sketch in zip(together, sketches, strict=True):
        one[: len(sketch)] = sketch
    is_silent = together.max(axis=(1, 2, 3)) <= SILENCE_DB
    relative = together - together.max(axis=(1, 2, 3), keepdims=True)
    middle = np.median(relative, axis=0)
    counted = (middle > middle.max(axis=0) + SOFTEST_CELL_DB) & (middle > 2 * SOFTEST_CELL_DB)
    levels = np.maximum(relative[:, counted], 3 * SOFTEST_CELL_DB).astype(np.float64)
    levels -= levels.mean(axis=1, keepdims=True) if levels.size else 0.0
    squares = np.sum(levels**2, axis=1)
    squared = squares[:, None] + squares[None, :] - 2.0 * (levels @ levels.T)
    apart = np.sqrt(np.maximum(squared, 0.0) / max(1, levels.shape[1]))
    apart[is_silent] = apart[:, is_silent] = math.inf
    return np.asarray(apart)


def likeness_of_distance(distance_db: float) -> float:
    """The share of energy in common of two signals whose levels differ by this everywhere: 0.0 to 1.0."""
    return max(0.0, 1.0 - math.expm1(min(distance_db, 100.0) / DB_A_NEPER) ** 2)


def _spectra(audio: NDArray[np.float32], *, n_bands: int) -> NDArray[np.complex64]:
    collected = CrossSpectra(
        rate_hz=SKETCH_RATE_HZ,
        n_channels=audio.shape[1],
        n_bands=n_bands,
        lowest_hz=LOWEST_HZ,
        highest_hz=HIGHEST_HZ,
    )
    for start in range(0, len(audio), collected.step_frames):
        collected.add(audio[start : start + collected.step_frames])
    collected.finish()
    return collected.matrices()


def _in_stereo(mix: NDArray[np.float32]) -> NDArray[np.float32]:
    require_audio(mix)
    return np.repeat(mix, 2, axis=1) if mix.shape[1] == 1 else mix


def _padded(audio: NDArray[np.float32], frames: int) -> NDArray[np.float32]:
    return np.pad(audio, ((0, frames - len(audio)), (0, 0)))
