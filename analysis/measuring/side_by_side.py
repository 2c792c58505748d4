"""Stems and the mixes made of them, read once, side by side: what a balance is found from. No Django here."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.dsp.alignment import Offset, find_offset
from analysis.dsp.balance import BalanceMeter
from analysis.measuring.aligned import START_S, Track, describe_track, offset_against, start_of

# So much of the stems is kept while the mixes are aligned to it, and given on as it lies: decoding is where
# the time goes. With 24 mono stems at 48 kHz it is 40 s.
MOST_BYTES_AHEAD = 192 * 2**20

View = Callable[[NDArray[np.float64]], NDArray[np.float64]]


def whole(audio: NDArray[np.float64]) -> NDArray[np.float64]:
    """All channels as they are."""
    return audio


def middle(audio: NDArray[np.float64]) -> NDArray[np.float64]:
    """What left and right have in common, shape (n_frames, 1); mono as it is."""
    return np.asarray(audio.mean(axis=1, keepdims=True))


def side(audio: NDArray[np.float64]) -> NDArray[np.float64]:
    """What left and right differ in, shape (n_frames, 1); nothing for mono."""
    return (audio[:, :1] - audio[:, -1:]) / 2.0


@dataclass(frozen=True, eq=False, slots=True)
class Heard:
    """A meter that has heard everything for `duration_s`, and how late each mix starts against the stems."""

    meter: BalanceMeter
    offsets: tuple[Offset, ...]
    duration_s: float


def hear(
    stems: Sequence[str], mixes: Sequence[str], views: Sequence[tuple[int, View]], *, rate_hz: int
) -> Heard:
    """Let a meter hear stems and mixes, given by their paths, from the stems' start to the longest mix's end.

    `views` names what the meter counts as its mixes: the place of one of `mixes`, and how it is looked at.
    Each mix is aligned to the plain sum of the stems by their first two minutes, or by as much of them as can
    be kept where that is enough to be sure. Where no offset is sure a mix is taken as it lies.

    Raises TrackRefused for the first file that cannot be used.
    """
    for path in (*mixes, *stems):
        describe_track(path)  # before the long work begins
    together = _Together(stems, rate_hz=rate_hz)
    meter = BalanceMeter(
        rate_hz=rate_hz,
        stem_channels=together.channels,
        mix_channels=[view(np.zeros((1, describe_track(mixes[at]).channels))).shape[1] for at, view in views],
    )
    offsets = _offsets(mixes, stems, together.read_ahead(meter.step_frames), rate_hz=rate_hz)
    tracks = [
        Track(path, rate_hz=rate_hz, offset_frames=offset.frames)
        for path, offset in zip(mixes, offsets, strict=True)
    ]
    frames = 0
    while not all(track.is_over for track in tracks):
        played = together.take(meter.step_frames)
        heard = [track.take(meter.step_frames) for track in tracks]
        seen = [view(heard[at]) for at, view in views]
        meter.add(np.concatenate([played, *seen], axis=1, dtype=np.float32))
        frames += meter.step_frames
    return Heard(meter, offsets, frames / rate_hz)


def _offsets(
    mixes: Sequence[str], stems: Sequence[str], start: NDArray[np.float32], *, rate_hz: int
) -> tuple[Offset, ...]:
    """How late each mix is against the start of the stems' sum, or more of it where that says little."""
    # No more of the mix than of the stems: in a song of loops each turn more would fit as well as the first.
    offsets = [
        find_offset(start_of([path], rate_hz=rate_hz)[: len(start)], start, rate_hz=rate_hz) for path in mixes
    ]
    if not all(offset.is_sure for offset in offsets):
        longer = start_of(stems, rate_hz=rate_hz)
        if len(longer) > len(start):
            offsets = [
                offset if offset.is_sure else offset_against(path, longer, rate_hz=rate_hz)
                for path, offset in zip(mixes, offsets, strict=True)
            ]
    return tuple(offsets)


class _Together:
    """Tracks read as one, whose start may be read ahead."""

    def __init__(self, paths: Sequence[str], *, rate_hz: int) -> None:
        self._tracks = [Track(path, rate_hz=rate_hz) for path in paths]
        self._rate_hz = rate_hz
        self.channels = [track.n_channels for track in self._tracks]
        self._ahead = np.zeros((0, sum(self.channels)), np.float32)

    def read_ahead(self, n_frames: int) -> NDArray[np.float32]:
        """Keep the start, some times `n_frames`, for `take`; the sum of it in mono, shape (all frames, 1)."""
        # Of a stereo stem half of each channel, as `start_of` has it.
        shares = np.concatenate([np.full(count, 1.0 / count, np.float32) for count in self.channels])
        most = min(START_S * self._rate_hz, MOST_BYTES_AHEAD // shares.nbytes) // n_frames * n_frames
        # One array, because its memory goes back to the system as a whole; that of many blocks would not.
        self._ahead = np.empty((most, len(shares)), np.float32)
        filled = 0
        while filled < most and not self._is_over:
            self._fill(self._ahead[filled : filled + n_frames])
            filled += n_frames
        self._ahead = self._ahead[:filled]
        return np.asarray(self._ahead @ shares)[:, np.newaxis]

    def take(self, n_frames: int) -> NDArray[np.float32]:
        """The next block, shape (n_frames, all channels): silence after the end. Ahead lie whole ones."""
        if len(self._ahead):
            block = self._ahead[:n_frames].copy()
            self._ahead = self._ahead[n_frames:]
            if not len(self._ahead):  # an empty view would still hold all of it
                self._ahead = self._ahead.copy()
            return block
        block = np.empty((n_frames, sum(self.channels)), np.float32)
        self._fill(block)
        return block

    @property
    def _is_over(self) -> bool:
        return all(track.is_over for track in self._tracks)

    def _fill(self, block: NDArray[np.float32]) -> None:
        first = 0
        for track in self._tracks:
            block[:, first : first + track.n_channels] = track.take(len(block))
            first += track.n_channels
