"""Make a listening copy: one rate, one start, one length, gain only, dithered to 24 bit, without tags.

No Django here: `preparing` keeps what this makes, and the `match` command uses the same functions.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soxr
from numpy.typing import NDArray

from analysis import audiofile
from analysis.dsp import alignment, meter
from analysis.dsp.alignment import Offset
from analysis.listening import second_meter

BITS = 24
STEPS_PER_FULL_SCALE = 2.0 ** (BITS - 1)
TOLERANCE_LU = (
    0.1  # common practice, no source: a tenth of the smallest level difference that is heard as one
)
BLOCK_FRAMES = 65_536


class CopyRefused(Exception):
    """The finished copy is not what the plan asked for; it must not be heard."""


@dataclass(frozen=True, slots=True)
class MadeCopy:
    """A finished copy and what was found when it was read again.

    `copy_lufs` is our meter's reading, `second_meter_lufs` the independent one's.
    """

    path: Path
    offset_frames: int
    polarity: int
    copy_lufs: float
    second_meter_lufs: float
    copy_true_peak_dbtp: float


def make_copy(
    source: Path,
    destination: Path,
    *,
    level_lufs: float,
    gain_db: float,
    rate_hz: int,
    frames: int,
    seed: int,
    reference: Path | None = None,
) -> MadeCopy:
    """Render a copy, read it by two meters, and refuse it where either misses the level.

    With a `reference` the copy starts where the reference starts, and a turned polarity is turned back: alone
    it cannot be heard, but it would make every switch to another mix of the same tracks jump.

    Raises CopyRefused when a reading is more than `TOLERANCE_LU` from `level_lufs`, AudioError when a file
    cannot be decoded.
    """
    offset = Offset(frames=0, polarity=1, confidence=0.0)
    if reference is not None:
        offset = offset_against(source, reference, rate_hz=rate_hz)
    render_copy(
        source,
        destination,
        gain_db=gain_db,
        offset_frames=offset.frames,
        polarity=offset.polarity,
        rate_hz=rate_hz,
        frames=frames,
        seed=seed,
    )
    found = meter.measure(audiofile.read_blocks(destination), rate_hz=rate_hz, n_channels=2)
    second_lufs = second_meter.read_lufs(destination)
    _refuse_missed_level("our meter", found.integrated_lufs, level_lufs)
    _refuse_missed_level("the second meter", second_lufs, level_lufs)
    return MadeCopy(
        path=destination,
        offset_frames=offset.frames,
        polarity=offset.polarity,
        copy_lufs=found.integrated_lufs,
        second_meter_lufs=second_lufs,
        copy_true_peak_dbtp=found.true_peak_dbtp,
    )


def offset_against(source: Path, reference: Path, *, rate_hz: int) -> Offset:
    """How late `source` starts against `reference`, in frames at `rate_hz`. Both are read whole."""
    return alignment.find_offset(_whole(source, rate_hz), _whole(reference, rate_hz), rate_hz=rate_hz)


def render_copy(
    source: Path,
    destination: Path,
    *,
    gain_db: float,
    offset_frames: int,
    polarity: int,
    rate_hz: int,
    frames: int,
    seed: int,
) -> None:
    """Write the copy as 24-bit stereo FLAC, in constant memory.

    Parameters
    ----------
    offset_frames : int
        How late the source is, at `rate_hz`: so many frames are left off its start, or silence put before it.
    polarity : int
        1, or -1 to turn the waveform over.
    frames : int
        Length of the copy; a longer source is cut, a shorter one followed by silence. Nothing is faded.
    seed : int
        Of the dither, so that a copy can be made again bit for bit.

    A mono source becomes two equal channels. Raises AudioError when the source cannot be decoded.
    """
    described = audiofile.describe(source, audiofile.METER_LIMITS)
    blocks = resampled(
        audiofile.read_blocks(source, block_frames=BLOCK_FRAMES),
        from_hz=described.sample_rate_hz,
        to_hz=rate_hz,
        channels=described.channels,
    )
    factor = polarity * 10.0 ** (gain_db / 20.0)
    dither = np.random.default_rng(seed)
    audiofile.write_flac(
        destination,
        (_to_24_bit(factor * _stereo(block), dither) for block in placed(blocks, offset_frames, frames)),
        rate_hz=rate_hz,
        channels=2,
    )


def cut_segments(copy: Path, folder: Path, *, segment_frames: int) -> list[Path]:
    """Cut a copy into FLAC files, in order, that decode on their own and join to exactly the copy."""
    folder.mkdir(parents=True, exist_ok=True)
    described = audiofile.describe(copy)
    parts = []
    for index, block in enumerate(audiofile.read_blocks(copy, block_frames=segment_frames)):
        part = folder / f"{index:05d}.flac"
        audiofile.write_flac(part, [block], rate_hz=described.sample_rate_hz, channels=described.channels)
        parts.append(part)
    return parts


def resampled(
    blocks: Iterable[NDArray[np.float64]], *, from_hz: int, to_hz: int, channels: int
) -> Iterator[NDArray[np.float64]]:
    """The same sound at another rate, by soxr at its very high quality; unchanged where the rates agree."""
    if from_hz == to_hz:
        yield from blocks
        return
    stream = soxr.ResampleStream(from_hz, to_hz, channels, dtype="float64", quality="VHQ")
    for block in blocks:
        yield stream.resample_chunk(np.ascontiguousarray(block))
    yield stream.resample_chunk(np.zeros((0, channels)), last=True)


def placed(
    blocks: Iterable[NDArray[np.float64]], offset_frames: int, frames: int
) -> Iterator[NDArray[np.float64]]:
    """Leave off or put before so that the start is right, then cut or pad to the length."""
    to_skip, left = max(0, offset_frames), frames
    channels = 2
    if offset_frames < 0:
        blocks = _after_silence(blocks, -offset_frames)
    for block in blocks:
        channels = block.shape[1]
        skipped = min(to_skip, len(block))
        to_skip -= skipped
        kept = block[skipped : skipped + left]
        left -= len(kept)
        if len(kept):
            yield kept
        if left == 0:
            return
    while left:
        length = min(left, BLOCK_FRAMES)
        left -= length
        yield np.zeros((length, channels))


def _after_silence(
    blocks: Iterable[NDArray[np.float64]], silent_frames: int
) -> Iterator[NDArray[np.float64]]:
    for block in blocks:
        if silent_frames:
            yield np.zeros((silent_frames, block.shape[1]))
            silent_frames = 0
        yield block


def _stereo(block: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.repeat(block, 2, axis=1) if block.shape[1] == 1 else block


def _to_24_bit(audio: NDArray[np.float64], dither: np.random.Generator) -> NDArray[np.int32]:
    """Quantise with triangular dither of two steps' width, each channel its own; left-justified in 32 bits.

    S. P. Lipshitz, R. A. Wannamaker and J. Vanderkooy, "Quantization and dither: a theoretical survey",
    J. Audio Eng. Soc. 40 (5), 1992: this makes the error's mean and power independent of the sound.
    """
    noise = dither.random(audio.shape) - dither.random(audio.shape)
    steps = np.rint(audio * STEPS_PER_FULL_SCALE + noise)
    steps = np.clip(steps, -STEPS_PER_FULL_SCALE, STEPS_PER_FULL_SCALE - 1)
    justified: NDArray[np.int32] = steps.astype(np.int32) << (32 - BITS)
    return justified


def _whole(path: Path, rate_hz: int) -> NDArray[np.float32]:
    described = audiofile.describe(path, audiofile.METER_LIMITS)
    blocks = resampled(
        audiofile.read_blocks(path),
        from_hz=described.sample_rate_hz,
        to_hz=rate_hz,
        channels=described.channels,
    )
    return np.concatenate([block.astype(np.float32) for block in blocks])


def _refuse_missed_level(who: str, reading_lufs: float, level_lufs: float) -> None:
    if math.isfinite(reading_lufs) and abs(reading_lufs - level_lufs) <= TOLERANCE_LU:
        return
    raise CopyRefused(
        f"The copy reads {reading_lufs:.2f} LUFS by {who}, where {level_lufs:.2f} LUFS was planned; "
        f"more than {TOLERANCE_LU} LU apart is not fair to compare."
    )
