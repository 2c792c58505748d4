"""A second opinion on loudness, from a meter that shares no line with ours."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pyloudnorm
from numpy.typing import NDArray

from analysis.audiofile import METER_LIMITS, AudioDescription, describe, read_blocks

BLOCK_S = 0.4
HOP_S = 0.1
# Each stretch that is given to the library begins so long after the one before it: whole seconds, so that its
# blocks lie on the same grid at every rate. It is quicker with what stays near the processor, and its memory
# does not grow with the recording.
ADVANCE_S = 10
# How far a stretch reaches into the next, and how many of the next one's blocks then only let the filter
# swing in: the block after them is the first that this stretch had no room for. A high-pass at 38 Hz has
# forgotten in 0.2 s what came before, down to a factor of (1 + 2 pi 38 x 0.2) exp(-2 pi 38 x 0.2), 1e-19.
SHARED_S = 0.5
SWING_IN_BLOCKS = 2
# So few frames are decoded at a time that they are still near when they are put to the stretch.
DECODED_FRAMES = 16_384
# ITU-R BS.1770-5, Annex 1, equations 2, 5 to 7. Written here once more on purpose: a gate that both meters
# shared would be wrong in both.
OFFSET_DB = -0.691
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0


class _Stretch(NamedTuple):
    """Samples, shape (n_frames, n_channels), and how many of their first blocks were measured before."""

    audio: NDArray[np.float64]
    measured_blocks: int


def read_lufs(*paths: Path) -> float:
    """Integrated loudness of a recording by the pyloudnorm library.

    Parameters
    ----------
    paths : Path
        A WAV or FLAC file of one to five channels, or the parts that it was cut into, in their order. They
        are given to the library in stretches of some ten seconds: in stereo at 48 kHz it holds some 25 MB,
        however long they are.

    Returns
    -------
    float
        LUFS; ``-inf`` for silence; ``nan`` below 0.4 s, where no block fits.

    Raises
    ------
    AudioError
        A file cannot be read.

    Notes
    -----
    The library filters and measures the blocks of 400 ms; only the two gates over all of them are set here.
    The filter class "DeMan" is the standard's filter; the library's default reads 0.04 LU low at 997 Hz. The
    library counts a last block that the file only half fills as a whole one, which ITU-R BS.1770-5 (Annex 1,
    gating) leaves out; so the recording is cut to whole steps first.
    """
    found = describe(paths[0], METER_LIMITS)
    meter = pyloudnorm.Meter(found.sample_rate_hz, filter_class="DeMan")
    block_lufs: list[float] = []
    for stretch in _stretches(paths, found):
        meter.integrated_loudness(stretch.audio)
        block_lufs += meter.blockwise_loudness[stretch.measured_blocks :]
    return _gated(np.array(block_lufs))


def _stretches(paths: Sequence[Path], found: AudioDescription) -> Iterator[_Stretch]:
    """The recording in stretches that together have every block; each lies where the one before it lay."""
    rate_hz = found.sample_rate_hz
    room = np.empty((ADVANCE_S * rate_hz + math.ceil(SHARED_S * rate_hz), found.channels))
    filled = measured_blocks = 0
    for path in paths:
        for block in read_blocks(path, block_frames=DECODED_FRAMES):
            while len(block):
                part = block[: len(room) - filled]
                room[filled : filled + len(part)] = part
                filled, block = filled + len(part), block[len(part) :]
                if filled == len(room):
                    yield _Stretch(room, measured_blocks)
                    filled, measured_blocks = len(room) - ADVANCE_S * rate_hz, SWING_IN_BLOCKS
                    room[:filled] = room[-filled:]
    n_hops = math.floor((filled / rate_hz - BLOCK_S) / HOP_S + 1e-9)
    if n_hops >= measured_blocks:
        whole_frames = min(filled, math.ceil((BLOCK_S + n_hops * HOP_S) * rate_hz))
        yield _Stretch(room[:whole_frames], measured_blocks)


def _gated(block_lufs: NDArray[np.float64]) -> float:
    """Loudness of the blocks that pass both gates; nan without blocks, -inf where none passes."""
    if not block_lufs.size:
        return math.nan
    heard = block_lufs[block_lufs >= ABSOLUTE_GATE_LUFS]
    if not heard.size:
        return -math.inf
    loud = heard[heard > _mean_lufs(heard) + RELATIVE_GATE_LU]
    return _mean_lufs(loud)


def _mean_lufs(block_lufs: NDArray[np.float64]) -> float:
    """Loudness of the mean power of blocks."""
    return OFFSET_DB + 10.0 * math.log10(float(np.mean(10.0 ** ((block_lufs - OFFSET_DB) / 10.0))))
