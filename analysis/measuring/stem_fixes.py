"""Mend a stem into a new file: exact arithmetic on its samples, in its own format. No Django here.

Nothing is dithered, because nothing is rounded but an offset, to the nearest step of the file.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis.audiofile import METER_LIMITS, AudioDescription, AudioError, describe, write_flac, write_wav
from analysis.audiofile.reading import Samples
from analysis.measuring.blocks import BLOCK_FRAMES, stored_blocks

_BITS = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_HIGHEST, _LOWEST = 2**31 - 1, -(2**31)


def remove_offset(source: Path, destination: Path) -> None:
    """Take each channel's mean off its samples.

    Raises AudioError `over_full_scale` where a sample would pass full scale, and as `stored_blocks` does.
    """
    found = describe(source, METER_LIMITS)
    sums = np.zeros(found.channels)
    for block in stored_blocks(source):
        sums += block.sum(axis=0, dtype=np.float64)
    mean = sums / found.frames
    if found.subtype == "FLOAT":
        _write(found, destination, (block - mean.astype(np.float32) for block in stored_blocks(source)))
        return
    step = _step(found)
    whole_steps = np.rint(mean / step).astype(np.int64) * step

    def shifted(block: Samples) -> Samples:
        moved = block.astype(np.int64) - whole_steps
        if moved.max() > _HIGHEST or moved.min() < _LOWEST:
            raise AudioError(
                "over_full_scale",
                "Without its offset a sample would pass full scale. Export it again 1 dB lower.",
            )
        return moved.astype(np.int32)

    _write(found, destination, map(shifted, stored_blocks(source)))


def turn_polarity(source: Path, destination: Path) -> None:
    """Change the sign of every sample. The lowest step, which has no opposite, becomes the highest one."""
    found = describe(source, METER_LIMITS)
    highest = 0 if found.subtype == "FLOAT" else 2**31 - _step(found)

    def turned(block: Samples) -> Samples:
        if block.dtype == np.float32:
            return np.negative(block, dtype=np.float32)
        return np.minimum(-block.astype(np.int64), highest).astype(np.int32)

    _write(found, destination, map(turned, stored_blocks(source)))


def make_mono(source: Path, destination: Path) -> None:
    """Keep the left channel of a file whose channels are alike."""
    found = describe(source, METER_LIMITS)
    blocks = (block[:, :1].copy() for block in stored_blocks(source))
    _write(found, destination, blocks, channels=1)


def place(source: Path, destination: Path, *, leave_out_frames: int = 0, frames: int | None = None) -> None:
    """Leave frames out at the start; then give it so many frames, with silence at its end where some lack.

    `frames` None keeps what is left. Raises AudioError `empty` where nothing would be left.
    """
    found = describe(source, METER_LIMITS)
    wanted = found.frames - leave_out_frames if frames is None else frames
    _write(found, destination, _placed(source, found, leave_out_frames, wanted))


FIXES: dict[str, Callable[[Path, Path], None]] = {
    "offset": remove_offset,
    "polarity": turn_polarity,
    "mono": make_mono,
}
"""The fixes that need nothing but the stem itself, by a word for each."""


def _placed(source: Path, found: AudioDescription, leave_out: int, wanted: int) -> Iterator[Samples]:
    kind: type[np.generic] = np.float32 if found.subtype == "FLOAT" else np.int32
    for block in stored_blocks(source):
        part = block[leave_out : leave_out + wanted]
        leave_out = max(0, leave_out - len(block))
        wanted -= len(part)
        if len(part):
            yield part
    while wanted > 0:
        silence: NDArray[np.generic] = np.zeros((min(wanted, BLOCK_FRAMES), found.channels), kind)
        wanted -= len(silence)
        yield silence  # type: ignore[misc]  # of the kind that the file holds


def _step(found: AudioDescription) -> int:
    """One step of the file's width, its most significant bit at the top of 32."""
    return 1 << (32 - _BITS[found.subtype])


def _write(
    found: AudioDescription, destination: Path, blocks: Iterator[Samples], *, channels: int | None = None
) -> None:
    write = write_flac if found.format == "FLAC" else write_wav
    write(
        destination,
        blocks,
        rate_hz=found.sample_rate_hz,
        channels=channels or found.channels,
        subtype=found.subtype,
    )
