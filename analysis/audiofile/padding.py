"""Fill a FLAC file up to a given size, so that its length says nothing of what it holds."""

import struct
from pathlib import Path

MARKER = b"fLaC"
HEAD_BYTES = 4
PADDING = 1
IS_LAST = 0x80


def pad_flac(path: Path, *, size_bytes: int) -> None:
    """Make a FLAC file exactly `size_bytes` long by a block of zeros behind its other metadata.

    Every decoder passes it over. Raises ValueError, with the file as it was, for what is no FLAC file and
    where fewer than the four bytes of a block's head are to be filled.

    Notes
    -----
    RFC 9639, clause 8 (heads of the metadata blocks) and 8.3 (padding, of any length that fits 24 bits).
    """
    blob = path.read_bytes()
    if blob[:4] != MARKER:
        raise ValueError(f"{path} is no FLAC file")
    missing = size_bytes - len(blob) - HEAD_BYTES
    if not 0 <= missing < 2**24:
        raise ValueError(f"{path} has {len(blob)} bytes and cannot be filled up to {size_bytes}")
    head = _last_head(blob)
    end = head + HEAD_BYTES + _length_at(blob, head)
    block = struct.pack(">I", (IS_LAST | PADDING) << 24 | missing) + bytes(missing)
    path.write_bytes(blob[:head] + bytes([blob[head] & ~IS_LAST]) + blob[head + 1 : end] + block + blob[end:])


def _last_head(blob: bytes) -> int:
    """Where the head of the last metadata block begins."""
    at = len(MARKER)
    while not blob[at] & IS_LAST:
        at += HEAD_BYTES + _length_at(blob, at)
    return at


def _length_at(blob: bytes, head: int) -> int:
    return int.from_bytes(blob[head + 1 : head + HEAD_BYTES], "big")
