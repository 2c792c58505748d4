"""MP3: MPEG-1 and MPEG-2 audio, layer III (ISO/IEC 11172-3 and 13818-3), counted frame by frame."""

from __future__ import annotations

import os
from typing import BinaryIO

from academy.courses.containers.faults import broken

BLOCK_BYTES = 1024 * 1024
_ID3 = b"ID3"
_ID3V1_BYTES = 128
_LEAST_FRAMES = 3  # fewer could stand anywhere by chance
_KBIT_S_MPEG1 = (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320)
_KBIT_S_MPEG2 = (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160)
_RATES_HZ = {3: (44_100, 48_000, 32_000), 2: (22_050, 24_000, 16_000), 0: (11_025, 12_000, 8_000)}
_MPEG1 = 3


def begins_like_one(start: bytes) -> bool:
    """Whether a file may be MP3 by its first bytes: a tag, or a frame of layer III."""
    return start.startswith(_ID3) or _frame(start[:4]) is not None


def length_s(file: BinaryIO, size_bytes: int) -> float:
    """The length in seconds, from the frames themselves; a first frame that only tells lengths is left out.

    Raises MediaRefused where the frames do not follow each other to the end, but for tags there.
    """
    file.seek(0)
    at = _after_tag(file.read(10))
    frames, played_s = 0, 0.0
    block, block_at = b"", 0
    while at + 4 <= size_bytes:
        if not block_at <= at <= block_at + len(block) - 4:
            file.seek(at, os.SEEK_SET)
            block, block_at = file.read(BLOCK_BYTES), at
        head = block[at - block_at : at - block_at + 4]
        found = _frame(head)
        if found is None:
            break
        frame_bytes, frame_s = found
        if frames or not _only_tells(file, at, min(frame_bytes, 256)):
            played_s += frame_s
        frames += 1
        at += frame_bytes
    if frames < _LEAST_FRAMES or not _is_tagged_end(file, at, size_bytes):
        raise broken("MP3")
    return played_s


def _frame(head: bytes) -> tuple[int, float] | None:
    """Size in bytes and length in seconds of the frame under a header; None for no frame of layer III."""
    if len(head) < 4 or head[0] != 0xFF or head[1] & 0xE0 != 0xE0:
        return None
    version, layer = head[1] >> 3 & 3, head[1] >> 1 & 3
    rate, bits = head[2] >> 2 & 3, head[2] >> 4
    if version == 1 or layer != 1 or rate == 3 or bits in {0, 15}:
        return None
    rate_hz = _RATES_HZ[version][rate]
    kbit_s = (_KBIT_S_MPEG1 if version == _MPEG1 else _KBIT_S_MPEG2)[bits]
    samples = 1152 if version == _MPEG1 else 576
    return samples // 8 * kbit_s * 1000 // rate_hz + (head[2] >> 1 & 1), samples / rate_hz


def _after_tag(start: bytes) -> int:
    """Where the sound begins. The tag's size is written in four times seven bits."""
    if not start.startswith(_ID3):
        return 0
    size = 0
    for byte in start[6:10]:
        size = size << 7 | byte & 0x7F
    return 10 + size + (10 if start[5] & 0x10 else 0)


def _only_tells(file: BinaryIO, at: int, count: int) -> bool:
    """Whether the frame holds no sound but the table of lengths that encoders put first."""
    here = file.tell()
    file.seek(at)
    start = file.read(count)
    file.seek(here)
    return any(word in start for word in (b"Xing", b"Info", b"VBRI"))


def _is_tagged_end(file: BinaryIO, at: int, size_bytes: int) -> bool:
    """Whether what is left is nothing, a tag, or the frame that was cut off at the end of an export."""
    left = size_bytes - at
    if left <= 4:
        return True
    file.seek(at)
    start = file.read(8)
    return start.startswith((b"TAG", b"APETAGEX", b"LYRICSBE")) or (left <= _ID3V1_BYTES and not any(start))
