"""Make a listening copy: one rate, one start, one length, gain only, dithered to 24 bit, without tags.

No Django here: `preparing` keeps what this makes, and the `match` command uses the same functions.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar, cast

import numpy as np
import soxr
from numpy.typing import NDArray

from analysis.audiofile import (
    METER_LIMITS,
    AudioDescription,
    FlacWriter,
    SegmentWriter,
    describe,
    pad_flac,
    read_blocks,
)
from analysis.dsp.alignment import Offset, find_offset
from analysis.dsp.dither import to_24_bit
from analysis.dsp.errors import SampleError
from analysis.dsp.meter import Block, LevelMeter, Levels, stored_scale
from analysis.listening import second_meter
from analysis.listening.outline import Outline
from analysis.measuring.blocks import stored_blocks

BLOCK_FRAMES = 65_536
# Enough of any song to know it by, and a bound on memory: two of them take 230 MB in stereo at 48 kHz.
ALIGNED_S = 300
# How far a finished copy may lie from the plan, by either meter. The tolerance for a steady reading in EBU
# Tech 3341, table 1.
LEVEL_TOLERANCE_LU = 0.1
# How far a copy's true peak may read over the ceiling when the plan was made at another rate: what EBU Tech
# 3341 (cases 15 to 23) allows a meter to read high.
CEILING_TOLERANCE_DB = 0.2
# A frame of a copy in stereo at 24 bit, and what FLAC adds at most where it cannot compress: under 40 bytes
# for each of its own frames (RFC 9639, clause 9: heads, checksums), and the metadata.
FRAME_BYTES = 6
FLAC_OVERHEAD_BYTES = 8192


# What float32 holds without rounding: 24 bits, sign included, and fewer (IEEE 754 gives it 24 and a sign).
EXACT_IN_FLOAT32 = ("PCM_16", "PCM_24", "FLOAT")

AnyBlock = TypeVar("AnyBlock", Block, NDArray[np.int32])


class CopyRefused(Exception):
    """A recording of which no listening copy can be made, or a copy that misses its plan.

    `code` is a short word for programs; `message` says what is wrong in the trade's words.
    """

    def __init__(self, code: str, message: str) -> None:
        # Both go to Exception, so that the refusal survives its way between processes.
        super().__init__(code, message)
        self.code = code
        self.message = message

    def __str__(self) -> str:
        return self.message


@dataclass(frozen=True, slots=True)
class CutCopy:
    """A finished copy in segments: FLAC files that can each be decoded alone and together are the copy.

    `levels` are our meter's readings of these very samples, `outline` is what `Outline` gives of them.
    """

    segments: tuple[Path, ...]
    levels: Levels
    outline: bytes


@dataclass(frozen=True, slots=True)
class MadeCopy:
    """A finished copy in segments, as `CutCopy`, and what was found in it.

    `copy_lufs` and `copy_true_peak_dbtp` are our meter's readings, `second_meter_lufs` the independent one's.
    """

    segments: tuple[Path, ...]
    outline: bytes
    offset_frames: int
    polarity: int
    copy_lufs: float
    second_meter_lufs: float
    copy_true_peak_dbtp: float


def make_copy(
    source: Path,
    folder: Path,
    *,
    segment_frames: int,
    level_lufs: float,
    gain_db: float,
    rate_hz: int,
    frames: int,
    seed: int,
    reference: Path | None = None,
    offset: Offset | None = None,
    start_frames: int = 0,
    ceiling_dbtp: float = math.inf,
) -> MadeCopy:
    """Find the recording's start against the reference, cut its copy into `folder`, have two meters read it.

    Without a reference, and where the offset is not sure, nothing is shifted or turned. An `offset` that is
    known already is not looked for again. The copy begins `start_frames` after the aligned start. Raises as
    `rendered_blocks` and `confirm_copy` do; of a copy that is refused no segment is left behind.
    """
    original = Original(source, rate_hz=rate_hz)
    if offset is None:
        offset = Offset(frames=0, polarity=1, confidence=0.0)
        if reference is not None:
            offset = offset_against(original, reference)
    blocks = rendered_blocks(
        original,
        gain_db=gain_db,
        offset_frames=offset.frames + start_frames,
        polarity=offset.polarity,
        frames=frames,
        seed=seed,
    )
    cut = write_segments(blocks, folder, rate_hz=rate_hz, frames=frames, segment_frames=segment_frames)
    second_lufs = confirm_copy(cut.segments, cut.levels, level_lufs=level_lufs, ceiling_dbtp=ceiling_dbtp)
    return MadeCopy(
        segments=cut.segments,
        outline=cut.outline,
        offset_frames=offset.frames,
        polarity=offset.polarity,
        copy_lufs=cut.levels.integrated_lufs,
        second_meter_lufs=second_lufs,
        copy_true_peak_dbtp=cut.levels.true_peak_dbtp,
    )


def describe_source(source: Path) -> AudioDescription:
    """What the header of a recording says, if a copy can be made of it.

    Raises AudioError for a file that cannot be used, CopyRefused `channels` for more than two channels.
    """
    found = describe(source, METER_LIMITS)
    if found.channels > 2:
        raise CopyRefused(
            "channels",
            f"The file has {found.channels} channels; a listening copy is stereo. Export a stereo mix.",
        )
    return found


def frames_at(found: AudioDescription, *, rate_hz: int) -> int:
    """How many frames a recording has once it is at `rate_hz`: rounded to the nearest, up at halves."""
    return (2 * found.frames * rate_hz + found.sample_rate_hz) // (2 * found.sample_rate_hz)


def blocks_at_rate(source: Path, *, rate_hz: int) -> Iterator[NDArray[np.float64]]:
    """The samples of a recording at another rate, block by block.

    Yields ndarrays of shape (n, channels), one or two channels, full scale 1.0; n varies and may be 0. The
    first frame stays the first: the resampler's delay is taken out. At the recording's own rate samples are
    unchanged. Raises as `describe_source` and `read_blocks` do.
    """
    found = describe_source(source)
    blocks = read_blocks(source, block_frames=BLOCK_FRAMES)
    if found.sample_rate_hz == rate_hz:
        yield from blocks
        return
    resampler = soxr.ResampleStream(
        found.sample_rate_hz, rate_hz, found.channels, dtype="float64", quality="VHQ"
    )
    for block in blocks:
        yield resampler.resample_chunk(np.ascontiguousarray(block))
    yield resampler.resample_chunk(np.empty((0, found.channels)), last=True)


class Original:
    """A recording that copies are made of, read at the rate of the copies.

    Once it was read to be aligned, its start is kept: what lies whole in it is not decoded a second time.
    Raises AudioError or CopyRefused as `describe_source` does.
    """

    def __init__(self, path: Path, *, rate_hz: int) -> None:
        self.path = path
        self.rate_hz = rate_hz
        self.described = describe_source(path)
        self._whole: NDArray[np.float32] | None = None

    def start(self) -> NDArray[np.float32]:
        """The first `ALIGNED_S` seconds, shape (n_frames, channels). Raises as `read_blocks` does."""
        if self._whole is not None:
            return self._whole
        frames = min(frames_at(self.described, rate_hz=self.rate_hz), ALIGNED_S * self.rate_hz)
        start = np.zeros((frames, self.described.channels), np.float32)
        filled = 0
        for block in self.blocks():
            part = start[filled : filled + len(block)]
            part[:] = block[: len(part)]
            part *= stored_scale(block)
            filled += len(part)
            if filled == frames:
                break
        if frames == self.described.frames and self._is_exact_in_float32:
            self._whole = start
        return start

    def blocks(self) -> Iterator[Block]:
        """The samples block by block, shape (n, channels); as `stored_blocks` where the rate is its own.

        Copy what is to be kept: each may lie where the one before it lay. Raises as `read_blocks` does.
        """
        if self._whole is not None:
            for at in range(0, len(self._whole), BLOCK_FRAMES):
                yield self._whole[at : at + BLOCK_FRAMES]
        elif self.described.sample_rate_hz == self.rate_hz:
            yield from stored_blocks(self.path, block_frames=BLOCK_FRAMES)
        else:
            yield from blocks_at_rate(self.path, rate_hz=self.rate_hz)

    @property
    def _is_exact_in_float32(self) -> bool:
        found = self.described
        return found.sample_rate_hz == self.rate_hz and found.subtype in EXACT_IN_FLOAT32


def offset_against(original: Original, reference: Path) -> Offset:
    """How late a recording starts against the reference, in frames at its rate, by their first five minutes.

    Raises AudioError or CopyRefused as `describe_source` does, for either file.
    """
    other = Original(reference, rate_hz=original.rate_hz)
    return find_offset(original.start(), other.start(), rate_hz=original.rate_hz)


def measure_as_heard(original: Original, *, offset_frames: int, frames: int) -> Levels:
    """Measure a recording as its copy will have it, at the recording's own level.

    Arguments as for `rendered_blocks`; neither number knows which way round the polarity is. These are the
    numbers for a level plan that must hold to the last: a mono file sounds from two channels, a trimmed end
    does not count, peaks are those at the copy's rate.
    """
    meter = LevelMeter(rate_hz=original.rate_hz, n_channels=2)
    for block in _placed(original, offset_frames=offset_frames, frames=frames):
        meter.add(_in_stereo(block))
    return meter.levels()


def rendered_blocks(
    original: Original,
    *,
    gain_db: float,
    offset_frames: int,
    polarity: int,
    frames: int,
    seed: int,
) -> Iterator[NDArray[np.int32]]:
    """The listening copy of a recording, block by block: gain only, in stereo, one start, one length.

    Parameters
    ----------
    original : Original
        A WAV or FLAC file of one or two channels, at the copy's rate. Mono becomes two equal channels.
    gain_db : float
        The only thing that is done to the sound.
    offset_frames : int
        How late the recording starts, in frames of the copy: so many are left out at its start, or put before
        it where negative.
    polarity : int
        1, or -1 for a recording whose polarity is turned: it is turned back. On its own nobody hears it, but
        a switch between two mixes of opposite polarity jumps, and fades through silence.
    frames : int
        Length of the copy. What is missing is padded with silence, what is over is left out; no
        fades.
    seed : int
        Of the dither. The same call gives the same samples.

    Yields
    ------
    ndarray of int32, shape (n, 2)
        24-bit samples at the top of the word; n varies and may be 0. Padding and digital silence carry the
        same dither as the rest, so that nothing tells where a recording started or ended.

    Raises
    ------
    CopyRefused
        `channels`: more than two. `over_full_scale`: the gain would need clipping.
    AudioError
        The source cannot be used.
    """
    random = np.random.default_rng(seed)
    gain = polarity * 10.0 ** (gain_db / 20.0)
    for block in _placed(original, offset_frames=offset_frames, frames=frames):
        try:
            # Dithered before it is doubled, so that the two channels of a mono recording stay equal.
            yield _in_stereo(to_24_bit(block, random, gain=gain))
        except SampleError as error:
            raise CopyRefused(
                "over_full_scale", f"A gain of {gain_db:+.1f} dB would take the copy over full scale."
            ) from error


def write_copy(blocks: Iterable[NDArray[np.int32]], destination: Path, *, rate_hz: int) -> Levels:
    """Write what `rendered_blocks` yields to one FLAC file without tags, and measure it on the way.

    The same samples give the same bytes. Where reading or writing raises, nothing is left at the destination.
    """
    meter = LevelMeter(rate_hz=rate_hz, n_channels=2)
    with FlacWriter(destination, rate_hz=rate_hz, channels=2) as writer:
        for block in blocks:
            writer.write(block)
            meter.add(block)
    return meter.levels()


def write_segments(
    blocks: Iterable[NDArray[np.int32]], folder: Path, *, rate_hz: int, frames: int, segment_frames: int
) -> CutCopy:
    """Cut what `rendered_blocks` yields into segments in `folder`, and measure it on the way.

    A segment is finished as soon as it is full, so no more than that and one block is ever in memory;
    `SegmentWriter` says how they are named. `frames` is the length of the copy. Where anything raises, none
    of them is left.
    """
    meter, outline = LevelMeter(rate_hz=rate_hz, n_channels=2), Outline(n_frames=frames)
    with SegmentWriter(folder, segment_frames=segment_frames, rate_hz=rate_hz, channels=2) as writer:
        for block in blocks:
            writer.write(block)
            meter.add(block)
            outline.add(block)
    return CutCopy(tuple(writer.paths), meter.levels(), outline.as_bytes())


def confirm_copy(files: Sequence[Path], measured: Levels, *, level_lufs: float, ceiling_dbtp: float) -> float:
    """Ask both meters whether a finished copy keeps its plan, and return the second one's reading in LUFS.

    `files` are the copy as it is stored: one file, or its segments in their order; the second meter decodes
    them. `measured` is what our meter found while they were written.

    Raises CopyRefused, and removes the files: `level_missed` where a reading lies more than 0.1 LU from the
    plan or there is none, `ceiling_passed` where the true peak reads over the ceiling.
    """
    second_lufs = second_meter.read_lufs(*files)
    try:
        _refuse_missed_level("our meter", measured.integrated_lufs, level_lufs)
        _refuse_missed_level("the second meter", second_lufs, level_lufs)
        if measured.true_peak_dbtp > ceiling_dbtp + CEILING_TOLERANCE_DB:
            raise CopyRefused(
                "ceiling_passed",
                f"The copy peaks at {measured.true_peak_dbtp:+.2f} dBTP, over the ceiling of "
                f"{ceiling_dbtp:+.2f} dBTP.",
            )
    except CopyRefused:
        for path in files:
            path.unlink()
        raise
    return second_lufs


def hide_sizes(segments: Sequence[Path], *, frames: int, segment_frames: int) -> None:
    """Fill the segments of a copy up to what their frames could need at most: a size then tells no sound.

    Two dithers of one mix differ by some bytes in 400 000, two mixes by a hundredth or more. `frames` is the
    copy's length, `segment_frames` that of each segment but the last.
    """
    for index, segment in enumerate(segments):
        own_frames = min(segment_frames, frames - index * segment_frames)
        pad_flac(segment, size_bytes=own_frames * FRAME_BYTES + FLAC_OVERHEAD_BYTES)


def _placed(original: Original, *, offset_frames: int, frames: int) -> Iterator[Block]:
    """Exactly `frames` frames of a recording from its aligned start on, in its own channels."""
    channels = original.described.channels
    padding = min(frames, max(0, -offset_frames))
    yield from _silence(padding, channels)
    wanted, leave_out = frames - padding, max(0, offset_frames)
    for block in original.blocks():
        if not wanted:
            return
        part = block[leave_out : leave_out + wanted]
        leave_out = max(0, leave_out - len(block))
        wanted -= len(part)
        yield part
    yield from _silence(wanted, channels)


def _refuse_missed_level(who: str, reading_lufs: float, level_lufs: float) -> None:
    # Asked this way round, so that a reading that is not a number is refused as well.
    if not abs(reading_lufs - level_lufs) <= LEVEL_TOLERANCE_LU:
        raise CopyRefused(
            "level_missed",
            f"The copy reads {reading_lufs:.2f} LUFS by {who}, where {level_lufs:.2f} LUFS was planned; "
            f"more than {LEVEL_TOLERANCE_LU} LU apart is not fair to compare.",
        )


def _silence(frames: int, channels: int) -> Iterator[NDArray[np.float64]]:
    for start in range(0, frames, BLOCK_FRAMES):
        yield np.zeros((min(BLOCK_FRAMES, frames - start), channels))


def _in_stereo(block: AnyBlock) -> AnyBlock:
    return cast(AnyBlock, np.repeat(block, 2, axis=1)) if block.shape[1] == 1 else block
