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

_READ_AS = {"PCM_16": "<i2", "PCM_24": "<i4", "PCM_32": "<i4", "FLOAT": "<f4"}


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
    """The samples as they are stored: int32 with the most significant bit at the top, or float32.

    The trap: each block lies where the one before it lay, so that no memory is asked for twice. Copy what is
    to be kept.
    """
    blocks = _flac_blocks if header.description.format == "FLAC" else _wav_blocks
    decoded_frames = 0
    for block in blocks(source, header, min(block_frames, header.description.frames)):
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
    # One byte more in front: see `_unpack`.
    raw = np.zeros(1 + block_frames * frame_bytes, np.uint8)
    block = np.empty((block_frames, found.channels), "<f4" if found.subtype == "FLOAT" else np.int32)
    for first in range(0, found.frames, block_frames):
        wanted = min(block_frames, found.frames - first) * frame_bytes
        got = source.fill(header.first_sample_byte + first * frame_bytes, raw[1 : 1 + wanted].data)
        part = block[: got // frame_bytes]
        _unpack(raw, found.subtype, part.reshape(-1))
        yield part


def _unpack(raw: NDArray[np.uint8], subtype: str, samples: Samples) -> None:
    """Fill `samples` from little-endian ones that start at the second byte of `raw`.

    24 bit: each sample is read as 32 bit together with the byte before it, whatever that holds, and the byte
    is then cleared. It is six times as fast as spreading the bytes out.
    """
    first = 0 if subtype == "PCM_24" else 1
    strides = (BYTES_PER_SAMPLE[subtype],)
    stored: Samples = np.ndarray(samples.shape, _READ_AS[subtype], raw, offset=first, strides=strides)
    if subtype == "PCM_16":
        np.left_shift(stored, 16, out=samples, dtype=np.int32)
    elif subtype == "PCM_24":
        np.bitwise_and(stored, ~0xFF, out=samples)
    else:
        np.copyto(samples, stored)


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
            block = np.empty((block_frames, found.channels), np.int32)
            remaining = found.frames
            while remaining:
                part = sound.read(out=block[: min(block_frames, remaining)])
                if not len(part):
                    return
                remaining -= len(part)
                yield part
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
