"""What stems show only side by side: their plain sum, their copies, and pairs of turned polarity."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from analysis.dsp.errors import ShapeError, require_rate
from analysis.dsp.truepeak import TruePeak

# Two stems are the same sound where what differs lies 37 dB and more below them: 1 - c = r^2 / 2 for a small
# difference r. Two microphones on one source stay far from it. Common practice, no source.
SAME_SOUND = 0.9999

# Two microphones on one source stand less than 1.7 m of sound apart. Common practice, no source.
LARGEST_LAG_S = 0.005
# Sound that two microphones have in common: below it rumble, above it a few centimetres turn the phase.
LOWEST_HZ, HIGHEST_HZ = 60.0, 5_000.0
# From here on two stems count as two pickings-up of one source. Unrelated stems of a song stay below 0.1; see
# the tests. Common practice, no source.
PARTNERS = 0.25
# Lines of a spectrum so far below its strongest are not compared: of a lone tone they hold its leakage only.
# And two stems that have fewer than this share of the lines in common say too little.
WEAKEST_LINE = 10.0 ** (-50.0 / 20.0)
FEWEST_LINES = 0.05
# The turned peak must lead the upright one by so much: a bass note swings through both within the lags.
TURNED_LEAD = 1.5

FRAME_S = 0.17
# So many frames make one product, which is quicker than one after the other.
LOT_FRAMES = 8


@dataclass(frozen=True, slots=True)
class Pair:
    """Two stems, by their place in the set, `first` before `second`.

    `correlation` runs from -1 to 1; `lag_s` tells how much later the second one is.
    """

    first: int
    second: int
    correlation: float
    lag_s: float = 0.0


class StemSet:
    """Collects what stems show side by side, from blocks of any length.

    Memory does not depend on how long they are. It grows with the square of their number: 4 MB for 24 stems,
    70 MB for 100. Raises RateError, and ValueError for a set without stems.
    """

    def __init__(self, *, rate_hz: int, n_stems: int) -> None:
        require_rate(rate_hz)
        if n_stems < 1:
            raise ValueError("a set has at least one stem")
        self._rate_hz = rate_hz
        self._n_stems = n_stems
        self._products = np.zeros((n_stems, n_stems))
        self._sum_peak = TruePeak(rate_hz=rate_hz, n_channels=2)
        self._frame_frames: int = 2 ** round(math.log2(FRAME_S * rate_hz))
        line_hz = rate_hz / self._frame_frames
        self._lines = slice(
            math.ceil(LOWEST_HZ / line_hz), math.ceil(min(HIGHEST_HZ, 0.4 * rate_hz) / line_hz)
        )
        self._window = np.hanning(self._frame_frames).astype(np.float32)
        self._cross = np.zeros((self._lines.stop - self._lines.start, n_stems, n_stems), np.complex64)
        self._waiting = np.zeros((n_stems, 0), np.float32)

    def add(self, stems: NDArray[np.float32]) -> None:
        """Take the next block of all stems, shape (n_stems, n_frames, 2), full scale 1.0.

        A mono stem stands in both channels, as it sounds from the middle at unity. Raises ShapeError.
        """
        if stems.ndim != 3 or stems.shape[0] != self._n_stems or stems.shape[2] != 2:
            raise ShapeError(f"expected shape ({self._n_stems}, n_frames, 2), got {stems.shape}")
        self._sum_peak.add(stems.sum(axis=0, dtype=np.float64))
        samples = stems.reshape(self._n_stems, -1)
        self._products += samples @ samples.T
        self._waiting = np.concatenate((self._waiting, stems.mean(axis=2, dtype=np.float32)), axis=1)
        lot = LOT_FRAMES * self._frame_frames
        while self._waiting.shape[1] >= lot:
            self._take(self._waiting[:, :lot])
            self._waiting = self._waiting[:, lot:]

    def finish(self) -> None:
        """Take what is left, padded with silence. Nothing may be added afterwards."""
        missing = -self._waiting.shape[1] % self._frame_frames
        if self._waiting.any():
            self._take(np.pad(self._waiting, ((0, 0), (0, missing))))
        self._waiting = self._waiting[:, :0]

    @property
    def sum_true_peak_dbtp(self) -> float:
        """True peak of the plain sum at unity; -inf for silence (ITU-R BS.1770-5, Annex 2)."""
        peak = float(self._sum_peak.peaks().max())
        return 20.0 * math.log10(peak) if peak else -math.inf

    def copies(self) -> list[Pair]:
        """The pairs that are one sound at any two gains: correlation 1 upright, -1 turned. Never silence."""
        power = np.sqrt(np.diag(self._products))
        both = np.outer(power, power)
        alike = np.divide(self._products, both, out=np.zeros_like(both), where=both > 0).clip(-1.0, 1.0)
        pairs = np.argwhere(np.triu(np.abs(alike) >= SAME_SOUND, 1)).tolist()
        return [Pair(first, second, float(alike[first, second])) for first, second in pairs]

    def partners(self) -> list[Pair]:
        """For every stem that has one its likely partner: another picking-up of the same source.

        The pairs have the largest correlation within `LARGEST_LAG_S` either way, by its magnitude; negative
        where one of them is turned, which is only said where the turned peak leads by `TURNED_LEAD`. Each
        pair once, in the order of the set. Silence has no partner.

        Notes
        -----
        G. C. Carter, A. H. Nuttall and P. G. Cable, "The smoothed coherence transform", Proc. IEEE 61 (10),
        1973: the cross spectrum over the root of both power spectra. The trap: a plain correlation follows
        the lowest note, which swings to its negative within a few milliseconds in any upright pair.
        """
        power = np.sqrt(np.einsum("lii->li", self._cross).real)
        found = {}
        for first in range(self._n_stems):
            others = [other for other in range(self._n_stems) if other != first]
            pairs = [self._pair(min(first, other), max(first, other), power) for other in others]
            best = max(pairs, key=lambda pair: abs(pair.correlation), default=None)
            if best is not None and abs(best.correlation) >= PARTNERS:
                found[best.first, best.second] = best
        return [found[key] for key in sorted(found)]

    def _pair(self, first: int, second: int, power: NDArray[np.float32]) -> Pair:
        both = power[:, first] * power[:, second]
        counted = np.all(
            power[:, (first, second)] > WEAKEST_LINE * power[:, (first, second)].max(axis=0), axis=1
        )
        n_counted = int(counted.sum())
        if n_counted < FEWEST_LINES * len(both):
            return Pair(first, second, 0.0)
        lines = np.zeros(self._frame_frames // 2 + 1, np.complex64)
        # conj(first) * second peaks where the second is later.
        lines[self._lines][counted] = self._cross[counted, second, first] / both[counted]
        curve = fft.irfft(lines) * self._frame_frames / (2.0 * n_counted)
        reach = round(LARGEST_LAG_S * self._rate_hz)
        near = np.concatenate((curve[-reach:], curve[: reach + 1]))
        highest, lowest = int(near.argmax()), int(near.argmin())
        at = lowest if -near[lowest] >= TURNED_LEAD * max(0.0, float(near[highest])) else highest
        return Pair(first, second, float(near[at]), (at - reach) / self._rate_hz)

    def _take(self, audio: NDArray[np.float32]) -> None:
        """Add whole frames, shape (n_stems, frames of a multiple), to the cross spectra."""
        frames = audio.reshape(self._n_stems, -1, self._frame_frames) * self._window
        spectra = fft.rfft(frames, axis=2)[:, :, self._lines].transpose(2, 0, 1)
        self._cross += spectra @ spectra.conj().transpose(0, 2, 1)
