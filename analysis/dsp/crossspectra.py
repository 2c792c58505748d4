"""Power and cross spectra of many channels at once, in bands, kept for stretches of time."""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from analysis.dsp.errors import ShapeError, require_audio, require_rate

# Long enough to tell bass notes apart, short enough that a room's first reflections fall into the same frame.
# Common practice, no source.
FRAME_S = 0.085
LOWEST_HZ = 20.0
HIGHEST_HZ = 18_000.0
# Narrower than this many lines, a band would be one main lobe of the window and not its own.
NARROWEST_LINES = 3
# How many spectra go into one stretch: 256 ms at 48 kHz, of frames as long as above.
STRETCH_SPECTRA = 6
# What all stretches together may take; beyond it two neighbours become one.
MOST_BYTES = 256 * 2**20


class CrossSpectra:
    """Collects the cross spectra of all pairs of channels from blocks of any length.

    Per band and stretch one Hermitian matrix ``[i, j]``: the sum, over the stretch's spectra and the band's
    lines, of ``conj(x_i) x_j``. The matrix of a band summed over its stretches is all that a least-squares
    fit of some channels by others needs. Memory is bounded by `MOST_BYTES` for any length, because the
    stretches grow longer instead. `frame_s` is rounded to a power of two in frames, and `stretch_spectra`
    half-overlapping frames make one stretch. `also` is called with every lot of so many frames that is taken:
    the windowed frames (n_channels, stretch_spectra, frame_frames), and their spectra.

    Raises RateError for a rate that audio is not kept at, ValueError for less than one channel or band.
    """

    def __init__(
        self,
        *,
        rate_hz: int,
        n_channels: int,
        n_bands: int,
        lowest_hz: float = LOWEST_HZ,
        highest_hz: float = HIGHEST_HZ,
        most_bytes: int = MOST_BYTES,
        frame_s: float = FRAME_S,
        stretch_spectra: int = STRETCH_SPECTRA,
        also: Callable[[NDArray[np.float32], NDArray[np.complex64]], None] | None = None,
    ) -> None:
        require_rate(rate_hz)
        if n_channels < 1 or n_bands < 1:
            raise ValueError(f"expected at least one channel and band, got {n_channels} and {n_bands}")
        self.n_channels = n_channels
        self._lot_spectra = stretch_spectra
        self._also = also
        self.frame_frames: int = 2 ** round(math.log2(frame_s * rate_hz))
        self.hop_frames: int = self.frame_frames // 2
        self.edges = band_edges(
            self.frame_frames, rate_hz=rate_hz, n_bands=n_bands, lowest_hz=lowest_hz, highest_hz=highest_hz
        )
        # Periodic, so that the squares of neighbouring frames add up evenly.
        self._window = np.hanning(self.frame_frames + 1)[:-1].astype(np.float32)
        most_stretches = max(8, most_bytes // (8 * self.n_bands * n_channels**2))
        # All of it at once: the system lends the pages as they are first written. Each band lies in one piece
        # for those who sum over the stretches band by band.
        self._kept = np.zeros((self.n_bands, most_stretches, n_channels, n_channels), np.complex64)
        self._n_kept = 0
        self._lots = 0  # how many times `stretch_spectra` spectra the last stretch holds so far
        self._full_at = 1  # and how many fill a stretch
        self._n_lots = 0  # and all together
        self._pending = np.zeros((0, n_channels), np.float32)

    @property
    def n_bands(self) -> int:
        """How many bands there are: fewer than asked for where the rate is too low for them."""
        return len(self.edges) - 1

    @property
    def step_frames(self) -> int:
        """How many frames later the next lot of spectra starts."""
        return self._lot_spectra * self.hop_frames

    @property
    def n_values(self) -> NDArray[np.float64]:
        """How many spectral values of one channel each band has taken so far, shape (n_bands,)."""
        return np.asarray(self._n_lots * self._lot_spectra * np.diff(self.edges), dtype=np.float64)

    @property
    def stretch_lots(self) -> int:
        """How many lots of `stretch_spectra` frames one stretch of `matrices` covers."""
        return self._full_at

    @property
    def stretch_frames(self) -> int:
        """How many frames one stretch of `matrices` covers."""
        return self._full_at * self.step_frames

    def add(self, audio: NDArray[np.floating]) -> None:
        """Take the next block, shape (n_frames, n_channels). Raises ShapeError for another channel count."""
        require_audio(np.asarray(audio), n_channels=self.n_channels)
        self._pending = np.concatenate((self._pending, audio.astype(np.float32, copy=False)))
        while len(self._pending) >= self.step_frames + self.hop_frames:
            self._take(self._pending[: self.step_frames + self.hop_frames])
            self._pending = self._pending[self.step_frames :]

    def finish(self) -> None:
        """Take what is left, padded with silence to a whole stretch. Nothing may be added afterwards."""
        if self._pending.any():
            missing = self.step_frames + self.hop_frames - len(self._pending)
            self._take(np.pad(self._pending, ((0, missing), (0, 0))))
        self._pending = self._pending[:0]

    def matrices(self) -> NDArray[np.complex64]:
        """What has been collected, shape (n_stretches, n_bands, n_channels, n_channels). Not a copy."""
        return self._kept[:, : self._n_kept].swapaxes(0, 1)

    def _take(self, audio: NDArray[np.float32]) -> None:
        if self._lots == self._full_at and self._n_kept == self._kept.shape[1]:
            self._merge()
        if self._n_kept == 0 or self._lots == self._full_at:
            self._n_kept += 1
            self._lots = 0
        matrices = self._kept[:, self._n_kept - 1]
        frames = self._frames(audio)
        spectra = np.asarray(fft.rfft(frames, axis=2), dtype=np.complex64)
        if self._also is not None:
            self._also(frames, spectra)
        for matrix, low, high in zip(matrices, self.edges[:-1], self.edges[1:], strict=True):
            lines = spectra[:, :, low:high].reshape(self.n_channels, -1)
            matrix += lines.conj() @ lines.T
        self._lots += 1
        self._n_lots += 1

    def _merge(self) -> None:
        """Make every two stretches one, in place, so that memory does not peak."""
        half, odd = divmod(self._n_kept, 2)
        for at in range(half):
            np.add(self._kept[:, 2 * at], self._kept[:, 2 * at + 1], out=self._kept[:, at])
        if odd:
            self._kept[:, half] = self._kept[:, self._n_kept - 1]
        self._n_kept = half + odd
        self._kept[:, self._n_kept :] = 0
        # The last stretch is half full where it was left over.
        self._lots, self._full_at = (self._full_at if odd else 2 * self._full_at), 2 * self._full_at

    def _frames(self, audio: NDArray[np.float32]) -> NDArray[np.float32]:
        """Half-overlapping windowed frames, shape (n_channels, stretch_spectra, frame_frames)."""
        planar = np.ascontiguousarray(audio.T)
        frames = np.lib.stride_tricks.sliding_window_view(planar, self.frame_frames, axis=1)
        return np.asarray(frames[:, :: self.hop_frames][:, : self._lot_spectra] * self._window)


def band_edges(
    frame_frames: int, *, rate_hz: int, n_bands: int, lowest_hz: float, highest_hz: float
) -> NDArray[np.intp]:
    """First spectral line of each band, and one past the last: shape (at most n_bands + 1,).

    Equal ratios between the two frequencies, each band at least `NARROWEST_LINES` wide. Fewer bands where
    half the rate, or the width, does not leave room for all.
    """
    highest = min(highest_hz, 0.45 * rate_hz)
    wished = np.geomspace(lowest_hz, highest, n_bands + 1) * frame_frames / rate_hz
    last = round(wished[-1])
    edges = [max(1, round(wished[0]))]
    for edge in wished[1:]:
        place = max(round(edge), edges[-1] + NARROWEST_LINES)
        if place >= last:
            break
        edges.append(place)
    edges.append(last)
    if len(edges) > 2 and edges[-1] - edges[-2] < NARROWEST_LINES:
        del edges[-2]
    if edges[-1] <= edges[0]:
        raise ShapeError(f"no band fits between {lowest_hz} and {highest} Hz")
    return np.array(edges, dtype=np.intp)
