"""The plain sum of stems: every one at the level at which it was recorded, in the middle, nothing else."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis.audiofile import write_flac
from analysis.dsp.dither import to_24_bit
from analysis.measuring.aligned import READ_FRAMES, Track, common_rate_hz, describe_track

# Where the sum is turned down to if it would pass full scale. Common practice, no source: the booth turns it
# to the level of its set anyway.
HIGHEST_PEAK = 0.5


def write_plain_sum(stems: Sequence[str], destination: Path) -> None:
    """Write the sum of `stems`, paths of mono or stereo files, as 24-bit stereo FLAC at the first one's rate.

    A mono stem goes to both sides as it is. The files are read twice, so that the sum can be turned down as a
    whole where it would pass full scale; nothing is limited. Raises TrackRefused for a file that cannot be
    used.
    """
    rate_hz = common_rate_hz(describe_track(stems[0]))
    peak = max((float(np.abs(block).max()) for block in _summed(stems, rate_hz=rate_hz)), default=0.0)
    gain = HIGHEST_PEAK / peak if peak > HIGHEST_PEAK else 1.0
    rng = np.random.default_rng(0)
    blocks = (to_24_bit(block * gain, rng) for block in _summed(stems, rate_hz=rate_hz))
    write_flac(destination, blocks, rate_hz=rate_hz, channels=2)


def _summed(stems: Sequence[str], *, rate_hz: int) -> Iterator[NDArray[np.float64]]:
    """The sum in blocks, each (n_frames, 2), as long as the longest stem to the next whole block."""
    tracks = [Track(path, rate_hz=rate_hz) for path in stems]
    while not all(track.is_over for track in tracks):
        total = np.zeros((READ_FRAMES, 2))
        for track in tracks:
            total += track.take(READ_FRAMES)
        yield total
