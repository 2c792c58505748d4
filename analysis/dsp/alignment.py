"""How late a mix starts against another of the same song, and whether its polarity is turned."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

LARGEST_OFFSET_S = 20.0
# What two recordings must share at the least: where only their ends meet, chance looks like a finding.
SHORTEST_SHARED_S = 1.0
# One in a million pairs of unrelated noises would look as sure; see `Offset.confidence`. Measured on invented
# songs: different mixes of one song reach it even with reverberation 10 dB above the sound itself.
SURE = 0.999999

COARSE_RATE_HZ = 6000.0
FINE_FRAMES = 2**20
# Peaks nearer than this belong to the same arrival: the width of a correlation smeared by equalisers.
SAME_ARRIVAL_S = 0.005
# Long enough that the ends of a cut make no click, which would be found in both at the lag nought.
END_FADE_FRAMES = 4096
# A spectral line weaker than this beneath the strongest is rounding noise of a padded or band-limited file.
WEAKEST_LINE = 1e-5


@dataclass(frozen=True, slots=True)
class Offset:
    """Where a recording lies against its reference.

    Attributes
    ----------
    frames : int
        How many frames later the recording is: ``audio[n + frames]`` belongs to ``reference[n]``. Negative
        when it starts early. 0 when not sure.
    polarity : int
        1, or -1 when the waveform is turned upside down. 1 when not sure.
    confidence : float
        0.0 to 1.0: the share of unrelated pairs whose best lag would lead the next one by less; 0.0 where the
        two halves of the recording name different lags.
    """

    frames: int
    polarity: int
    confidence: float

    @property
    def is_sure(self) -> bool:
        """Whether the finding may be acted upon."""
        return self.confidence >= SURE


def find_offset(audio: NDArray[np.floating], reference: NDArray[np.floating], *, rate_hz: float) -> Offset:
    """Find the delay and the polarity of a recording against its reference.

    Parameters
    ----------
    audio, reference : ndarray, shape (n_frames, n_channels)
        Both at `rate_hz`, of any two lengths. With equal channel counts each channel is compared with its
        own; otherwise the means over the channels are compared.
    rate_hz : float
        Sample rate of both.

    Returns
    -------
    Offset
        Exact to the frame within 20 s either way. Where no lag stands out (unrelated recordings, silence,
        less than a second in common) the confidence is below `SURE`, and frames and polarity are 0 and 1:
        nothing is shifted on a guess.

    Raises
    ------
    ValueError
        An input is not two-dimensional, or `rate_hz` is not positive.

    Notes
    -----
    The generalised correlation of C. H. Knapp and G. C. Carter, "The generalized correlation method for
    estimation of time delay", IEEE Trans. ASSP 24 (4), 1976, with the phase transform as its weight: first on
    decimated differences over all lags, then at the full rate around the lag found.

    Two traps. A plain correlation follows the bass, whose peak is broad and moves with any equaliser: the
    phase transform weighs all frequencies alike. And music repeats: a repeated bar is a high second peak in
    any mix, so the confidence asks how far the best lag leads the next one in units of the correlation's own
    noise, not for a ratio. For Gaussian noise over M lags that lead is exponential with the scale sigma /
    sqrt(2 ln M) (extreme-value theory; H. A. David and H. N. Nagaraja, Order Statistics, 2003, chapter 10).
    Unrelated music in one key and tempo leads further than noise does; but then each half of it names a lag
    of its own.
    """
    if audio.ndim != 2 or reference.ndim != 2:
        raise ValueError(f"expected shapes (n_frames, n_channels), got {audio.shape} and {reference.shape}")
    if not rate_hz > 0:
        raise ValueError(f"the rate must be positive, got {rate_hz}")
    if audio.shape[1] != reference.shape[1]:
        audio, reference = audio.mean(axis=1, keepdims=True), reference.mean(axis=1, keepdims=True)

    step = max(1, round(rate_hz / COARSE_RATE_HZ))
    small_audio, small_reference = decimate(audio, step), decimate(reference, step)
    largest, shared = (
        math.floor(limit_s * rate_hz / step) for limit_s in (LARGEST_OFFSET_S, SHORTEST_SHARED_S)
    )
    lags = range(max(-largest, shared - len(small_reference)), min(largest, len(small_audio) - shared) + 1)
    if not (lags and np.any(small_audio) and np.any(small_reference)):
        return Offset(frames=0, polarity=1, confidence=0.0)

    same_arrival = max(2, round(SAME_ARRIVAL_S * rate_hz / step))
    heights = correlation_at_lags(small_audio, small_reference, lags=lags)
    coarse = _best_lag(heights, lags)
    confidence = _confidence(heights, same_arrival=same_arrival)
    for half in _shared_halves(len(small_audio), len(small_reference), lag=coarse):
        # Against its own part of the reference only: in a loop it would fit each of the others as well.
        own = slice(half.start - coarse, half.stop - coarse)
        around = range(-largest, largest + 1)
        heard = correlation_at_lags(small_audio[half], small_reference[own], lags=around)
        if abs(_best_lag(heard, around)) > same_arrival:
            confidence = 0.0
    if confidence < SURE:
        return Offset(frames=0, polarity=1, confidence=confidence)

    frames, polarity = _refine(audio, reference, near=coarse * step, reach=3 * step)
    return Offset(frames=frames, polarity=polarity, confidence=confidence)


def decimate(audio: NDArray[np.floating], step: int) -> NDArray[np.float64]:
    """Keep every `step`-th frame behind a low-pass.

    Parameters
    ----------
    audio : ndarray, shape (n_frames, n_channels)
    step : int
        1 keeps all frames.

    Returns
    -------
    ndarray, shape (n_frames // step, n_channels)
        Frame m is centred on ``audio[m * step]``. The low-pass is a windowed sinc of eight steps with its
        corner at 0.4 of the new rate; what folds back is at least 40 dB down (it only has to be the same in
        both).
    """
    if step == 1:
        return audio.astype(np.float64)
    half = 4 * step
    times = np.arange(-half, half) / step
    kernel = np.sinc(0.8 * times) * np.hanning(2 * half + 1)[:-1]
    kernel /= kernel.sum()

    n_kept = audio.shape[0] // step
    kept = np.zeros((n_kept, audio.shape[1]))
    for channel in range(audio.shape[1]):
        padded = np.zeros((n_kept + 8) * step)
        padded[half : half + n_kept * step] = audio[: n_kept * step, channel]
        # Eight products of (frames, step) with a slice of the kernel are one polyphase filter, without a
        # copy.
        rows = padded.reshape(-1, step)
        for part in range(8):
            kept[:, channel] += rows[part : part + n_kept] @ kernel[part * step : (part + 1) * step]
    return kept


def correlation_at_lags(
    audio: NDArray[np.float64], reference: NDArray[np.float64], *, lags: range
) -> NDArray[np.float64]:
    """Correlate the differences of two signals, every frequency weighing alike.

    Parameters
    ----------
    audio, reference : ndarray, shape (n_frames, n_channels)
        Of any two lengths and one channel count.
    lags : range
        The lags to look at, in frames, by steps of one.

    Returns
    -------
    ndarray, shape (len(lags),)
        High at the lag k where ``audio[n + k]`` follows ``reference[n]``, low (negative) where it follows it
        upside down. All zero if either is silent.

    Notes
    -----
    Knapp and Carter 1976, table I: the phase transform. The channels' cross spectra are summed before the
    weight, so that a channel without sound does not vote.
    """
    # Long enough that no lag asked for is the circular image of another.
    unwrapped = max(len(audio) - lags.start, len(reference) + lags.stop, len(audio), len(reference))
    size = fft.next_fast_len(unwrapped, real=True)
    cross = np.zeros(size // 2 + 1, dtype=np.complex128)
    for channel in range(audio.shape[1]):
        one, other = (fft.rfft(_faded_differences(signal[:, channel]), size) for signal in (audio, reference))
        cross += one * np.conj(other)

    strength = np.abs(cross)
    audible = strength > WEAKEST_LINE**2 * strength.max(initial=0.0)
    weighted = np.divide(cross, strength, out=np.zeros_like(cross), where=audible)
    circular = fft.irfft(weighted, size)
    return circular[np.arange(lags.start, lags.stop) % size]


def _faded_differences(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    """First differences, faded at both ends: music is red, and its bass would leak over the treble."""
    differences = np.diff(signal, prepend=signal[:1])
    n_fade = min(END_FADE_FRAMES, len(signal) // 8)
    fade = np.sin(0.5 * np.pi * (np.arange(n_fade) + 0.5) / max(1, n_fade)) ** 2
    differences[:n_fade] *= fade
    differences[len(signal) - n_fade :] *= fade[::-1]
    return differences


def _best_lag(heights: NDArray[np.float64], lags: range) -> int:
    """The lag of the largest magnitude."""
    return lags[int(np.argmax(np.abs(heights)))]


def _shared_halves(n_audio: int, n_reference: int, *, lag: int) -> tuple[slice, slice]:
    """The frames of the recording that the reference also has at this lag, in two halves."""
    start, stop = max(0, lag), max(0, min(n_audio, n_reference + lag))
    middle = (start + stop) // 2
    return slice(start, middle), slice(middle, stop)


def _confidence(correlation: NDArray[np.float64], *, same_arrival: int) -> float:
    """The share of unrelated pairs whose best lag would lead by less; `same_arrival` in frames either way."""
    heights = np.abs(correlation)
    best = int(np.argmax(heights))
    others = np.concatenate((heights[: max(0, best - same_arrival)], heights[best + same_arrival + 1 :]))
    if others.size < 2:
        return 0.0
    # The median of the magnitude is 0.6745 sigma of a Gaussian, and does not see the few true peaks.
    sigma = float(np.median(others)) / 0.6745
    if sigma == 0.0:
        return 1.0 if heights[best] > others.max() else 0.0
    lead = float(heights[best] - others.max()) / sigma
    return 1.0 - math.exp(-lead * math.sqrt(2.0 * math.log(others.size)))


def _refine(
    audio: NDArray[np.floating], reference: NDArray[np.floating], *, near: int, reach: int
) -> tuple[int, int]:
    """The exact lag within `reach` frames of `near`, and the polarity there."""
    start = max(0, -near)
    shared = min(len(reference), len(audio) - near) - start
    start += _liveliest(reference[start : start + shared], audio[start + near : start + near + shared])
    frames = min(FINE_FRAMES, shared)
    lags = range(-reach, reach + 1)
    heights = correlation_at_lags(
        audio[start + near : start + near + frames].astype(np.float64),
        reference[start : start + frames].astype(np.float64),
        lags=lags,
    )
    best = _best_lag(heights, lags)
    return near + best, 1 if heights[best + reach] > 0 else -1


def _liveliest(one: NDArray[np.floating], other: NDArray[np.floating]) -> int:
    """Where to start a window of `FINE_FRAMES` in which both sound: the largest of the weaker energies."""
    starts = range(0, max(1, len(one) - FINE_FRAMES + 1), FINE_FRAMES // 4)
    energies = [
        min(float(np.sum(np.square(part[start : start + FINE_FRAMES]))) for part in (one, other))
        for start in starts
    ]
    return starts[int(np.argmax(energies))]
