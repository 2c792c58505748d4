"""FLAC streams made bit by bit from RFC 9639, for files that no encoder would write.

Nothing here comes from the code under test: the checksums are the RFC's polynomials, one bit at a time.
"""

import hashlib
import struct
from collections.abc import Sequence

#: RFC 9639, table 14: block sizes with a code of their own; others follow the header in one or two bytes.
_BLOCK_CODES = {192: 1, 576: 2, 1152: 3, 2304: 4, 4608: 5} | {256 << n: 8 + n for n in range(8)}
_BITS_CODES = {16: 4, 24: 6}


def crc(octets: bytes, polynomial: int, bits: int) -> int:
    """The plain CRC of RFC 9639: from zero, most significant bit first, nothing inverted."""
    value = 0
    for octet in octets:
        for shift in range(7, -1, -1):
            top = value >> bits - 1 ^ octet >> shift & 1
            value = (value << 1 & (1 << bits) - 1) ^ (polynomial if top else 0)
    return value


def coded_number(number: int) -> bytes:
    """RFC 9639, 9.1.5: like UTF-8, up to 36 bits."""
    if number < 0x80:
        return bytes([number])
    length = next(n for n in range(2, 8) if number < 1 << 5 * n + 1)
    following = [number >> 6 * n & 0x3F | 0x80 for n in range(length - 1)]
    lead = 0xFF << 8 - length & 0xFF
    return bytes([lead | number >> 6 * (length - 1), *reversed(following)])


def frame(
    number: int,
    values: Sequence[int],
    size: int,
    *,
    bits: int = 16,
    is_variable: bool = False,
    rate_code: int = 0,
) -> bytes:
    """One frame of `size` samples, constant at one value a channel."""
    code = _BLOCK_CODES.get(size, 6 if size <= 256 else 7)
    extra = {6: 1, 7: 2}.get(code, 0)
    head = bytes(
        [0xFF, 0xF8 | is_variable, code << 4 | rate_code, len(values) - 1 << 4 | _BITS_CODES[bits] << 1]
    )
    head += coded_number(number) + (size - 1).to_bytes(extra, "big") if extra else coded_number(number)
    head += bytes([crc(head, 0x07, 8)])
    # A constant subframe: a zero bit, type 000000, no wasted bits, and the sample.
    body = b"".join(b"\0" + value.to_bytes(bits // 8, "big", signed=True) for value in values)
    return head + body + crc(head + body, 0x8005, 16).to_bytes(2, "big")


def block(kind: int, content: bytes, *, size: int | None = None, is_last: bool = False) -> bytes:
    """A metadata block; `size` lets its length lie."""
    return (
        bytes([is_last << 7 | kind]) + (len(content) if size is None else size).to_bytes(3, "big") + content
    )


def streaminfo(
    *,
    frames: int,
    rate_hz: int = 48_000,
    channels: int = 2,
    bits: int = 16,
    blocks: tuple[int, int] = (4096, 4096),
    md5: bytes = bytes(16),
) -> bytes:
    """The 34 bytes of RFC 9639, 8.2, with the frame sizes left unknown."""
    packed = rate_hz << 44 | channels - 1 << 41 | bits - 1 << 36 | frames
    return struct.pack(">HH6x", *blocks) + packed.to_bytes(8, "big") + md5


def stream(frames: Sequence[bytes], info: bytes, *more: bytes, magic: bytes = b"fLaC") -> bytes:
    """A whole file: STREAMINFO, more blocks, a block of padding that ends the metadata, and the frames."""
    return magic + block(0, info) + b"".join(more) + block(1, bytes(8), is_last=True) + b"".join(frames)


def md5_of_constant(values: Sequence[int], frames: int, *, bits: int = 16) -> bytes:
    """The checksum of a stream that holds one value a channel throughout."""
    one = b"".join(value.to_bytes(bits // 8, "little", signed=True) for value in values)
    return hashlib.md5(one * frames).digest()
