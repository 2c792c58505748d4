"""Decode a recording in blocks, never whole.

WAV is plain numbers and is read here directly, so that no second header parser can disagree with ours; FLAC
goes through libsndfile, which sees only files that `describe` has accepted.
"""

import os
from collections.abc import Iterator

import numpy as np
import soundfile
from numpy.typing import NDArray

from analysis.audiofile.describing import read_header
from analysis.audiofile.description import BYTES_PER_SAMPLE, Header
from analysis.audiofile.errors import AudioError
from analysis.audiofile.limits import METER_LIMITS, Limits
from analysis.audiofile.source import Source, opened

#: Samples above this are numbers of another scale, not loud sound: +60 dB re full scale. No source.
MAX_SAMPLE = 1_000.0

#: As a file stores them: int32 with the most significant bit at the top, or float32.
Samples = NDArray[np.int32] | NDArray[np.float32]

#: Integer samples stand at the top of 32 bits whatever their width, so one factor scales them all.
_FULL_SCALE = 2.0**31


def read_blocks(
    path: str | os.PathLike[str], *, block_frames: int = 65_536, limits: Limits = METER_LIMITS
) -> Iterator[NDArray[np.float64]]:
    """The samples of a recording, block by block.

    Parameters
    ----------
    path
        A WAV, RF64, BW64 or FLAC file. Its header is checked first, as by `describe`.
    block_frames
        Frames in each block but the last, which may be shorter.

    Yields
    ------
    ndarray, shape (n, channels), float64
        Each block a new array; full scale is 1.0. Integer samples are exact: n bits divided by 2**(n-1).
        Silence gives zeros.

    Raises
    ------
    AudioError
        The header is refused, the sound ends early or cannot be decoded, or a float sample is not a number.
    OSError
        The file cannot be opened or read.
    """
    if block_frames < 1:
        raise ValueError(f"block_frames must be at least 1, not {block_frames}")
    with opened(path) as source:
        header = read_header(source, limits)
        for block in sample_blocks(source, header, block_frames=block_frames):
            if block.dtype == np.int32:
                yield np.multiply(block, 1.0 / _FULL_SCALE, dtype=np.float64)
            else:
                yield block.astype(np.float64)


def sample_blocks(source: Source, header: Header, *, block_frames: int) -> Iterator[Samples]:
    """The samples as they are stored: int32 with the most significant bit at the top, or float32."""
    blocks = _flac_blocks if header.description.format == "FLAC" else _wav_blocks
    decoded_frames = 0
    for block in blocks(source, header, block_frames):
        if block.dtype == np.float32:
            _refuse_wild(block, decoded_frames, header.description.sample_rate_hz)
        decoded_frames += len(block)
        yield block
    if decoded_frames != header.description.frames:
        raise AudioError(
            "truncated",
            f"The header claims {header.description.frames:,} samples; only {decoded_frames:,} can be "
            "decoded. Export again and upload the complete file.",
        )


def _wav_blocks(source: Source, header: Header, block_frames: int) -> Iterator[Samples]:
    found = header.description
    frame_bytes = found.channels * BYTES_PER_SAMPLE[found.subtype]
    for first in range(0, found.frames, block_frames):
        count = min(block_frames, found.frames - first)
        raw = source.up_to(header.first_sample_byte + first * frame_bytes, count * frame_bytes)
        whole = raw[: len(raw) - len(raw) % frame_bytes]
        yield _unpack(whole, found.subtype).reshape(-1, found.channels)


def _unpack(raw: bytes, subtype: str) -> Samples:
    """Little-endian samples, as native int32 at the top of the word or as float32."""
    if subtype == "FLOAT":
        return np.frombuffer(raw, "<f4").astype(np.float32)
    width = BYTES_PER_SAMPLE[subtype]
    padded = np.zeros((len(raw) // width, 4), np.uint8)
    padded[:, 4 - width :] = np.frombuffer(raw, np.uint8).reshape(-1, width)
    return padded.view("<i4").reshape(-1).astype(np.int32, copy=False)


def _flac_blocks(source: Source, header: Header, block_frames: int) -> Iterator[Samples]:
    found = header.description
    os.lseek(source.fd, 0, os.SEEK_SET)
    try:
        # By descriptor, because soundfile lets the name's ending decide for some names.
        with soundfile.SoundFile(source.fd, closefd=False) as sound:
            seen = (sound.format, sound.subtype, sound.samplerate, sound.channels)
            if seen != ("FLAC", found.subtype, found.sample_rate_hz, found.channels):
                raise AudioError(
                    "decode_failed", "The FLAC header can be read in two ways. Export the file again."
                )
            remaining = found.frames
            while remaining:
                block = sound.read(min(block_frames, remaining), dtype="int32", always_2d=True)
                if not len(block):
                    return
                remaining -= len(block)
                yield block
    except soundfile.SoundFileError as error:
        raise AudioError(
            "decode_failed",
            "The FLAC data is damaged and cannot be decoded. Export again and upload the new file.",
        ) from error


def _refuse_wild(block: Samples, first_frame: int, rate_hz: int) -> None:
    """Raise AudioError for a float sample that is not a number, or that is far beyond any level."""
    # A NaN fails every comparison, so this asks what is tame rather than what is wild: max() hides a NaN.
    tame = np.abs(block) <= MAX_SAMPLE
    if tame.all():
        return
    frame, channel = (int(index) for index in np.argwhere(~tame)[0])
    when = f"at {(first_frame + frame) / rate_hz:.3f} s in channel {channel + 1}"
    if not np.isfinite(block[frame, channel]):
        raise AudioError(
            "not_finite",
            f"The file holds a sample that is not a number, {when}: a device in the chain has failed there. "
            "Find it, or export as 24-bit PCM, and check the sound there.",
        )
    raise AudioError(
        "wild_level",
        f"A sample {when} lies more than 60 dB above full scale, so the numbers are on another scale. "
        "Export again as 24-bit PCM or as float with full scale at 1.0.",
    )
