"""What a song does inside a stretch of cross spectra: the bus from moment to moment, and who meets it when.

A compressor on the bus goes down with a stroke and comes back while the pads ring. All of that happens within
one stretch, so a drum meets less of the bus's gain than a pad in the same quarter of a second.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from analysis.dsp.randomwalk import random_walk
from analysis.dsp.stemfit import LARGEST_GAIN, SMALLEST_GAIN

# A frame is looked at in so many steps: 5.3 ms each at 48 kHz, as fast as a compressor's attack. Common
# practice, no source.
STEPS = 32
# The bus has one gain for all frequencies, so the lowest lines tell it: up to 750 Hz at 48 kHz. With 64 to
# 512 the errors of the levels are alike on simulated mixes.
LINES = 128
# A line divided by this lies in the middle of what half precision holds: sines from -170 to +60 dBFS.
FULL_SCALE = 64.0
# What all lots together may take. What comes later is taken to meet the bus evenly.
MOST_BYTES = 128 * 2**20
# How far the bus moves from one step to the next, linear. Of 0.03, 0.06 and 0.12 none is better.
STEP_MOVE = 0.06
# What is unexplained is evened out over so many steps, and never taken for smaller than this part of the mix.
EVEN_STEPS = 33
LEAST_UNEXPLAINED = 1e-3
ROUNDS = 3
TINY = 1e-30


@dataclass(frozen=True, eq=False, slots=True)
class _Series:
    """Step by step (n_steps,): energy of the mix and of the stems' sum, what they share, and each stem's own
    (n_steps, n_stems)."""

    mix: NDArray[np.float64]
    sum: NDArray[np.float64]
    shared: NDArray[np.float64]
    stems: NDArray[np.float64]


class Moments:
    """Keeps the lowest lines of each frame, which tell the bus, and how each stem's energy lies in the frame.

    `stems` are the channels of each stem, the first of all; `lot_frames` frames are taken at a time. Every
    frame starts half a frame after the one before.
    """

    def __init__(self, *, stems: Sequence[slice], n_channels: int, lot_frames: int) -> None:
        self._stems = tuple(stems)
        a_lot = 4 * lot_frames * (n_channels * LINES + len(stems) * STEPS)
        most = MOST_BYTES // a_lot
        # All of it at once: the system lends the pages as they are first written. Half precision holds the
        # lines to -66 dB of themselves, far below what stems leave unexplained.
        self._lines = np.zeros((most, lot_frames, n_channels, LINES, 2), np.float16)
        self._energies = np.zeros((most, lot_frames, len(stems), STEPS), np.float32)
        self._n_kept = 0

    def take(self, frames: NDArray[np.float32], spectra: NDArray[np.complex64]) -> None:
        """Take windowed frames (n_channels, lot_frames, frame_frames) and their spectra."""
        if self._n_kept == len(self._lines):
            return
        n_stem_channels = self._stems[-1].stop
        steps = frames[:n_stem_channels].reshape(n_stem_channels, frames.shape[1], STEPS, -1)
        energies = np.einsum("cfsx,cfsx->fcs", steps, steps)
        starts = [stem.start for stem in self._stems]
        self._energies[self._n_kept] = np.add.reduceat(energies, starts, axis=1)
        low = spectra[:, :, :LINES] / FULL_SCALE
        kept = self._lines[self._n_kept, :, :, : low.shape[2]]
        kept[..., 0], kept[..., 1] = low.real.swapaxes(0, 1), low.imag.swapaxes(0, 1)
        self._n_kept += 1

    def bus_met(
        self,
        responses: NDArray[np.complex128],
        mix: slice,
        edges: NDArray[np.intp],
        own_variance: NDArray[np.float64],
        lots: Sequence[slice],
    ) -> NDArray[np.float64]:
        """The mean gain of the bus that each stem meets in each stretch of time, over the stem's energy.

        Parameters
        ----------
        responses : ndarray, shape (n_bands, n_stem_channels, n_mix_channels)
            As a fit has found them.
        mix : slice
            The channels of the mix.
        edges : ndarray, shape (n_bands + 1,)
            The first line of each band.
        own_variance : ndarray, shape (n_stems,)
            How much each stem's own gain moves (linear, squared): a moment that one such stem fills tells
            less of the bus.
        lots : sequence of slice
            The lots of each stretch.

        Returns
        -------
        ndarray, shape (n_stretches, n_stems)
            Linear. 1 for a stretch of which no lot was kept, and the plain mean of the bus for a silent stem.
        """
        first, last = lots[0].start, min(lots[-1].stop, self._n_kept)
        met = np.ones((len(lots), len(self._stems)))
        if last <= first:
            return met
        gain = _bus(self._series(responses, mix, edges, slice(first, last)), own_variance)
        halves = gain.reshape(-1, STEPS // 2)
        frames = np.concatenate((halves[:-1], halves[1:]), axis=1)
        energies = self._energies[first:last].reshape(len(frames), len(self._stems), STEPS)
        heard = np.einsum("fks,fs->fk", energies, frames)
        a_lot = self._energies.shape[1]
        for at, lot in enumerate(lots):
            inside = slice((lot.start - first) * a_lot, (min(lot.stop, last) - first) * a_lot)
            if inside.start < inside.stop:
                energy = energies[inside].sum(axis=(0, 2), dtype=float)
                plain = np.full(len(energy), frames[inside].mean())
                met[at] = np.divide(heard[inside].sum(axis=0), energy, out=plain, where=energy > 0)
        return met

    def _series(
        self, responses: NDArray[np.complex128], mix: slice, edges: NDArray[np.intp], lots: slice
    ) -> _Series:
        lines = self._lines[lots].reshape(-1, *self._lines.shape[2:])
        bands = [
            (at, low, min(high, LINES))
            for at, (low, high) in enumerate(pairwise(edges.tolist()))
            if low < LINES
        ]
        n_frames, n_outputs = len(lines), mix.stop - mix.start
        whole = np.zeros((n_frames, n_outputs, 2 * LINES), np.float32)
        own = []
        for stem in self._stems:
            spectra = np.zeros((n_frames, n_outputs, LINES), np.complex64)
            for at, low, high in bands:
                heard = _complex(lines[:, stem, low:high])
                spectra[:, :, low:high] = np.einsum(
                    "fil,ic->fcl", heard, responses[at, stem].astype(np.complex64), optimize=True
                )
            sound = _sound(spectra)
            own.append(_steps(sound, sound))
            whole += sound
        spectra = _complex(lines[:, mix])
        spectra[:, :, : edges[0]] = 0.0
        sound = _sound(spectra)
        return _Series(
            mix=_steps(sound, sound),
            sum=_steps(whole, whole),
            shared=_steps(sound, whole),
            stems=np.stack(own, axis=1),
        )


def _sound(spectra: NDArray[np.complex64]) -> NDArray[np.float32]:
    """Frames of lowest lines as sound again, at a rate that holds just these."""
    return np.asarray(fft.irfft(spectra, 2 * LINES, axis=2), np.float32)


def _complex(lines: NDArray[np.float16]) -> NDArray[np.complex64]:
    return np.ascontiguousarray(lines, np.float32).view(np.complex64)[..., 0]


def _steps(one: NDArray[np.float32], other: NDArray[np.float32]) -> NDArray[np.float64]:
    """The sum of products of two sounds, (n_frames, n_channels, n_samples), in steps of the whole song."""
    n_frames = len(one)
    in_frames = (one * other).reshape(n_frames, one.shape[1], STEPS, -1).sum(axis=(1, 3), dtype=float)
    over_time = np.zeros((n_frames + 1, STEPS // 2))
    over_time[:-1] += in_frames[:, : STEPS // 2]
    over_time[1:] += in_frames[:, STEPS // 2 :]
    return over_time.ravel()


def _bus(series: _Series, own_variance: NDArray[np.float64]) -> NDArray[np.float64]:
    """The gain of the bus at each step, as a random walk that is heard through what is unexplained.

    A Gaussian Markov chain, solved at once (H. Rue and L. Held, Gaussian Markov Random Fields, 2005, chapter
    3). Where it is silent the gain is drawn from its neighbours.
    """
    share = series.stems / np.maximum(series.stems.sum(axis=1, keepdims=True), TINY)
    moves = share**2 @ own_variance
    told = series.shared / np.maximum(series.sum, TINY)
    even = np.hanning(EVEN_STEPS + 2)[1:-1]
    even /= even.sum()
    least = LEAST_UNEXPLAINED * _evened(series.mix, even) + TINY
    # Samples of the low lines in one step, over both channels; half of them for the window's overlap.
    values = 2 * LINES / STEPS
    gain = np.full(len(told), series.shared.sum() / max(series.sum.sum(), TINY))
    for _ in range(ROUNDS):
        left = series.mix - 2.0 * gain * series.shared + gain**2 * series.sum
        noise = (_evened(np.maximum(left, 0.0), even) + least) / values
        sure = 1.0 / (noise / np.maximum(series.sum, TINY) + moves)
        gain = random_walk(told * sure, sure, STEP_MOVE).clip(SMALLEST_GAIN, LARGEST_GAIN)
    return gain


def _evened(values: NDArray[np.float64], even: NDArray[np.float64]) -> NDArray[np.float64]:
    padded = np.pad(values, len(even) // 2, mode="edge")
    return np.convolve(padded, even, mode="valid")
