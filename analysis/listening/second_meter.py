"""A second opinion on loudness, from a meter that shares no line with ours."""

import math
from pathlib import Path

import numpy as np
import pyloudnorm

from analysis.audiofile import METER_LIMITS, describe, read_blocks

BLOCK_S = 0.4
HOP_S = 0.1


def read_lufs(*paths: Path) -> float:
    """Integrated loudness of a recording by the pyloudnorm library.

    Parameters
    ----------
    paths : Path
        A WAV or FLAC file of one to five channels, or the parts that it was cut into, in their order. They
        are held in memory whole, three times over in float64 (about 550 MB for four minutes of stereo at
        48 kHz): call this for one recording at a time.

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
    The filter class "DeMan" is the standard's filter; the library's default reads 0.04 LU low at 997 Hz. The
    library counts a last block that the file only half fills as a whole one, which ITU-R BS.1770-5 (Annex 1,
    gating) leaves out; so the recording is cut to whole steps first.
    """
    found = [describe(path, METER_LIMITS) for path in paths]
    rate_hz, n_frames = found[0].sample_rate_hz, sum(part.frames for part in found)
    n_hops = math.floor((n_frames / rate_hz - BLOCK_S) / HOP_S + 1e-9)
    if n_hops < 0:
        return math.nan
    wanted_frames = min(n_frames, math.ceil((BLOCK_S + n_hops * HOP_S) * rate_hz))

    audio = np.empty((n_frames, found[0].channels))
    filled = 0
    for path in paths:
        for block in read_blocks(path):
            audio[filled : filled + len(block)] = block
            filled += len(block)
    meter = pyloudnorm.Meter(rate_hz, filter_class="DeMan")
    return float(meter.integrated_loudness(audio[:wanted_frames]))
