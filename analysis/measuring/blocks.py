"""The samples of a recording as its file stores them, for the meter, which scales them itself."""

from __future__ import annotations

import os
from collections.abc import Iterator

from analysis.audiofile import METER_LIMITS
from analysis.audiofile.describing import read_header
from analysis.audiofile.reading import Samples, sample_blocks
from analysis.audiofile.source import opened

BLOCK_FRAMES = 65_536


def stored_blocks(path: str | os.PathLike[str], *, block_frames: int = BLOCK_FRAMES) -> Iterator[Samples]:
    """Yield each block, shape (n, channels): int32 with the most significant bit at the top, or float32.

    Each lies where the one before it lay: copy what is to be kept. Raises AudioError and OSError as
    `audiofile.read_blocks` does.
    """
    with opened(path) as source:
        header = read_header(source, METER_LIMITS)
        yield from sample_blocks(source, header, block_frames=block_frames)
