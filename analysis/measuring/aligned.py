"""Files read side by side: at one rate, from one start, block by block of equal length. No Django here."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis.audiofile import METER_LIMITS, AudioDescription, AudioError, describe
from analysis.dsp.alignment import Offset, find_offset
from analysis.listening.copies import blocks_at_rate

# Enough of a song to find its start by; two of them in mono take 46 MB at 48 kHz.
START_S = 120
READ_FRAMES = 65_536
# Whatever is higher is read at this rate: nothing of a level is lost above 20 kHz.
HIGHEST_RATE_HZ = 48_000


class TrackRefused(Exception):
    """A file that cannot be read beside the others: which one, a short word for programs, and a sentence."""

    def __init__(self, path: str, code: str, message: str) -> None:
        super().__init__(path, code, message)
        self.path, self.code, self.message = path, code, message


def describe_track(path: str) -> AudioDescription:
    """What the header says. Raises TrackRefused for an unusable file, and for more than two channels."""
    with refusing(path):
        found = describe(path, METER_LIMITS)
    if found.channels > 2:
        message = f"The file has {found.channels} channels. Export it in mono or stereo to compare it."
        raise TrackRefused(path, "channels", message)
    return found


@contextmanager
def refusing(path: str) -> Iterator[None]:
    """Turn what is wrong with a file while it is read into TrackRefused."""
    try:
        yield
    except AudioError as error:
        raise TrackRefused(path, error.code, error.message) from error
    except OSError as error:
        message = f"The file cannot be read: {error.strerror or error}. Check its name and who may read it."
        raise TrackRefused(path, "unreadable", message) from error


def common_rate_hz(found: AudioDescription) -> int:
    """The rate to read at, where this file is the one that the others follow."""
    return min(found.sample_rate_hz, HIGHEST_RATE_HZ)


def offset_against(path: str, start: NDArray[np.float32], *, rate_hz: int) -> Offset:
    """How late a file starts against the first seconds of another, as `start_of` gives them."""
    return find_offset(start_of([path], rate_hz=rate_hz), start, rate_hz=rate_hz)


def start_of(paths: Iterable[str], *, rate_hz: int) -> NDArray[np.float32]:
    """The sum of the first `START_S` of some files in mono, shape (n_frames, 1), as long as the longest."""
    total = np.zeros((START_S * rate_hz, 1), np.float32)
    longest = 0
    for path in paths:
        track = Track(path, rate_hz=rate_hz)
        filled = 0
        while not track.is_over and filled < len(total):
            part = track.take(min(READ_FRAMES, len(total) - filled))
            total[filled : filled + len(part)] += part.mean(axis=1, keepdims=True, dtype=np.float32)
            filled += len(part)
        longest = max(longest, filled)
    return total[:longest]


class Track:
    """A file given in pieces of any length: silence before its start where it is early, and after its end.

    Raises TrackRefused, here and in `take`, for a file that cannot be used or decoded.
    """

    def __init__(self, path: str, *, rate_hz: int, offset_frames: int = 0) -> None:
        """`offset_frames` at `rate_hz` are left out at the start, or silence put before it where negative."""
        self._path = path
        self.n_channels = describe_track(path).channels
        self._blocks = blocks_at_rate(Path(path), rate_hz=rate_hz)
        self._waiting = np.zeros((max(0, -offset_frames), self.n_channels))
        self.is_over = False
        self._skip(max(0, offset_frames))

    def take(self, n_frames: int) -> NDArray[np.float64]:
        """The next piece, shape (n_frames, n_channels). Then `is_over` tells whether the file goes on."""
        parts, missing = [], n_frames
        while missing and self._fill():
            parts.append(self._waiting[:missing])
            self._waiting = self._waiting[missing:]
            missing -= len(parts[-1])
        if missing:
            parts.append(np.zeros((missing, self.n_channels)))
        self._fill()
        return parts[0] if len(parts) == 1 else np.concatenate(parts)

    def _skip(self, n_frames: int) -> None:
        while n_frames and self._fill():
            left_out = min(n_frames, len(self._waiting))
            self._waiting = self._waiting[left_out:]
            n_frames -= left_out
        self._fill()

    def _fill(self) -> bool:
        """Whether a frame is waiting, after reading on where none was."""
        while not len(self._waiting) and not self.is_over:
            with refusing(self._path):
                block = next(self._blocks, None)
            if block is None:
                self.is_over = True
            else:
                self._waiting = block
        return bool(len(self._waiting))
