"""WAV files made byte by byte, so that every number in them can lie."""

import struct

import numpy as np

#: One second of quiet 24-bit stereo, as bytes: not silence, not symmetrical, the same in every run.
SOUND = np.random.default_rng(9639).integers(0, 256, 48_000 * 6, np.uint8).tobytes()
#: The tail of every sub-format GUID that wraps a format tag.
SUBFORMAT_TAIL = bytes.fromhex("000000001000800000aa00389b71")


def chunk(name: bytes, content: bytes, *, size: int | None = None) -> bytes:
    """A chunk, padded to an even length; `size` lets it lie."""
    length = len(content) if size is None else size
    return name + struct.pack("<I", length & 0xFFFFFFFF) + content + b"\0" * (len(content) % 2)


def fmt(
    *,
    tag: int = 1,
    channels: int = 2,
    rate_hz: int = 48_000,
    bits: int = 24,
    frame_bytes: int | None = None,
    byte_rate: int | None = None,
    extension: bytes = b"",
) -> bytes:
    """A fmt chunk whose dependent numbers follow from the others unless they are given."""
    if frame_bytes is None:
        frame_bytes = channels * bits // 8 & 0xFFFF
    if byte_rate is None:
        byte_rate = rate_hz * frame_bytes & 0xFFFFFFFF
    return chunk(
        b"fmt ", struct.pack("<HHIIHH", tag, channels, rate_hz, byte_rate, frame_bytes, bits) + extension
    )


def extension(
    tag: int = 1, *, valid_bits: int = 24, tail: bytes = SUBFORMAT_TAIL, extra_bytes: int = 22
) -> bytes:
    """What an extensible fmt chunk adds: sizes, a stereo speaker mask, and the sub-format."""
    return struct.pack("<HHIH", extra_bytes, valid_bits, 3, tag) + tail


def riff(*chunks: bytes, size: int | None = None, magic: bytes = b"RIFF", after: bytes = b"") -> bytes:
    """The whole file; `size` lets its length lie, `after` follows its end."""
    content = b"WAVE" + b"".join(chunks)
    return magic + struct.pack("<I", len(content) if size is None else size) + content + after


def wav(sound: bytes = SOUND, **numbers: int | bytes | None) -> bytes:
    """A plain file: fmt and data."""
    return riff(fmt(**numbers), chunk(b"data", sound))  # type: ignore[arg-type]


def ds64(*, riff_size: int, sound_size: int, frames: int = 0) -> bytes:
    """EBU Tech 3306: the 64-bit sizes, and an empty table."""
    return chunk(b"ds64", struct.pack("<QQQI", riff_size, sound_size, frames, 0))


def rf64(sound: bytes = SOUND, *, magic: bytes = b"RF64", sound_size: int | None = None) -> bytes:
    """A file with 64-bit sizes."""
    size = len(sound) if sound_size is None else sound_size
    sizes = ds64(riff_size=len(sound) + 72, sound_size=size, frames=size // 6)
    return riff(sizes, fmt(), chunk(b"data", sound, size=0xFFFFFFFF), size=0xFFFFFFFF, magic=magic)


def floats(*values: float) -> bytes:
    """A mono float file: a quiet ramp, then these values."""
    sound = np.concatenate([np.linspace(-0.5, 0.5, 1000), np.array(values)]).astype("<f4").tobytes()
    return wav(sound, tag=3, channels=1, bits=32)
