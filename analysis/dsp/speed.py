"""Whether a mix plays at another speed than its reference, as after a mistaken 44.1 or 48 kHz."""

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from analysis.dsp.alignment import COARSE_RATE_HZ, decimate, find_offset
from analysis.dsp.errors import require_audio

# 48 kHz over 44.1 kHz, and so 96 over 88.2 and 192 over 176.4: samples made at the one rate and played at the
# other. AES5 (from memory) names these two families of rates for production.
TOO_FAST, TOO_SLOW = Fraction(160, 147), Fraction(147, 160)


@dataclass(frozen=True, slots=True)
class SpeedError:
    """How a mix plays against its reference.

    Attributes
    ----------
    times_too_fast : Fraction
        160/147 or 147/160: above one it plays fast and high, below one slow and low.
    confidence : float
        Of the alignment once the speed is put right; see `alignment.Offset.confidence`.
    """

    times_too_fast: Fraction
    confidence: float

    @property
    def percent(self) -> float:
        """How much too fast, in percent; negative where it is slow."""
        return 100.0 * (float(self.times_too_fast) - 1.0)

    @property
    def semitones(self) -> float:
        """How much too high, in equal-tempered semitones; negative where it is low."""
        return 12.0 * math.log2(self.times_too_fast)


def speed_error(
    audio: NDArray[np.floating], reference: NDArray[np.floating], *, rate_hz: float
) -> SpeedError | None:
    """Find out whether a recording plays by 48 to 44.1 too fast or too slow against its reference.

    Parameters
    ----------
    audio, reference : ndarray, shape (n_frames, n_channels)
        Both as they play at `rate_hz`, from near their common start, of any two lengths and channel counts.
        The first two minutes are ample.
    rate_hz : float
        Sample rate of both.

    Returns
    -------
    SpeedError or None
        None where the recording aligns as it is, and where it aligns at neither of the other speeds:
        unrelated recordings, silence, and less than a second say nothing about speed.

    Raises
    ------
    ShapeError
        An input is not two-dimensional.
    ValueError
        `rate_hz` is not positive.

    Notes
    -----
    The proof is the alignment itself: put right by 160/147 or 147/160, the recording must follow the
    reference from its first half to its last as surely as any other mix (`alignment.find_offset`). Tempo or
    key prove nothing: two songs may well differ by a semitone and a half.
    """
    for signal in (audio, reference):
        require_audio(signal)
    small, small_reference = (_small(signal, rate_hz=rate_hz) for signal in (audio, reference))
    small_rate_hz = rate_hz / _step(rate_hz)
    if find_offset(small, small_reference, rate_hz=small_rate_hz).is_sure:
        return None
    for times_too_fast in (TOO_FAST, TOO_SLOW):
        found = find_offset(stretched(small, times_too_fast), small_reference, rate_hz=small_rate_hz)
        if found.is_sure:
            return SpeedError(times_too_fast, found.confidence)
    return None


def stretched(audio: NDArray[np.floating], times: Fraction) -> NDArray[np.float64]:
    """A signal so many times as long, every frequency so much lower: put right where it plays too fast.

    Shape (n_frames, n_channels) gives (ceil(n_frames * times), n_channels); nothing of no frames. What lies
    above half the rate afterwards is left out. Its spectrum is cut or padded, which treats the signal as if
    it came round again: its very ends are not exact.
    """
    # Whole numbers of both lengths, and lengths that are quick to transform.
    turns = fft.next_fast_len(max(1, -(-len(audio) // times.denominator)), real=True)
    before, after = turns * times.denominator, turns * times.numerator
    lines = fft.rfft(audio, before, axis=0)[: after // 2 + 1]
    longer: NDArray[np.float64] = fft.irfft(lines, after, axis=0) * float(times)
    return longer[: math.ceil(len(audio) * times)]


def _small(audio: NDArray[np.floating], *, rate_hz: float) -> NDArray[np.float64]:
    """In mono, at a rate that is enough to align by."""
    return decimate(audio.mean(axis=1, keepdims=True), _step(rate_hz))


def _step(rate_hz: float) -> int:
    if not rate_hz > 0:
        raise ValueError(f"the rate must be positive, got {rate_hz}")
    return max(1, round(rate_hz / COARSE_RATE_HZ))
