"""Whether a FLAC file ends with its last frame: found without a decoder. Source: RFC 9639, section 9.

A file cut short, one with something appended, and one whose header claims the wrong length all decode without
complaint in common decoders. The last frame tells: its header names its first sample, and its CRC must end
the file.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from analysis.audiofile.errors import AudioError
from analysis.audiofile.source import Source

#: The longest frame that counts as sane: 65,535 stereo 32-bit samples, uncompressed, and some room.
_TAIL_BYTES = 2**20
#: Sync code and blocking strategy: two bytes that start every frame. RFC 9639, 9.1.
_FIXED_SYNC, _VARIABLE_SYNC = b"\xff\xf8", b"\xff\xf9"
#: The longest frame header: 4 bytes, 7 of coded number, 2 of block size, 2 of rate, 1 of CRC.
_MAX_HEADER_BYTES = 16


def _crc_table(polynomial: int, bits: int) -> tuple[int, ...]:
    top, mask = 1 << bits - 1, (1 << bits) - 1
    table = []
    for byte in range(256):
        value = byte << bits - 8
        for _ in range(8):
            value = (value << 1 ^ (polynomial if value & top else 0)) & mask
        table.append(value)
    return tuple(table)


_CRC8 = _crc_table(0x07, 8)  # RFC 9639, 9.1.8: x^8 + x^2 + x + 1, from zero.
_CRC16 = _crc_table(0x8005, 16)  # RFC 9639, 9.3: x^16 + x^15 + x^2 + 1, from zero.


@dataclass(frozen=True, slots=True)
class _Frame:
    """One frame header: where it stands, and the sample after its last one."""

    offset: int
    end_sample: int


def refuse_wrong_end(source: Source, *, first_frame: int, frames: int, block_frames: int) -> None:
    """Raise AudioError unless the file ends with a whole frame whose last sample is number `frames`.

    `first_frame` is the byte where the sound starts, `block_frames` the STREAMINFO's largest block.
    """
    if source.at(first_frame, 2) not in (_FIXED_SYNC, _VARIABLE_SYNC):
        raise AudioError(
            "header_damaged", "The FLAC file's sound does not follow its header. Export the file again."
        )
    tail_start = max(first_frame, source.size - _TAIL_BYTES)
    tail = source.up_to(tail_start, _TAIL_BYTES)
    for frame in _frame_headers_from_the_end(tail, block_frames):
        whole_at = _crc_closes_at(tail, frame.offset)
        if whole_at == len(tail):
            if frame.end_sample == frames:
                return
            raise AudioError(
                "wrong_length",
                f"The header claims {frames:,} samples; the sound ends after {frame.end_sample:,}. The file "
                "is incomplete or damaged: export again and upload the complete file.",
            )
        if frame.end_sample == frames and whole_at is not None:
            raise AudioError(
                "trailing_data",
                f"{len(tail) - whole_at:,} bytes follow the end of the recording. Export again, and upload "
                "the file as it was exported.",
            )
    raise AudioError(
        "truncated",
        "The file does not end with a whole frame of sound: it was cut short, or something was appended "
        "to it. Export again and upload the complete file.",
    )


def _frame_headers_from_the_end(tail: bytes, block_frames: int) -> Iterator[_Frame]:
    position = len(tail)
    while (position := tail.rfind(b"\xff", 0, position)) >= 0:
        if tail[position : position + 2] in (_FIXED_SYNC, _VARIABLE_SYNC):
            end_sample = _end_sample(tail[position : position + _MAX_HEADER_BYTES], block_frames)
            if end_sample is not None:
                yield _Frame(offset=position, end_sample=end_sample)


def _end_sample(header: bytes, block_frames: int) -> int | None:
    """The number after a frame's last sample; None where these bytes are no frame header."""
    if len(header) < 6:
        return None
    number, offset = _coded_number(header)
    block_code, rate_code = header[2] >> 4, header[2] & 15
    extra = {6: 1, 7: 2}.get(block_code, 0)  # RFC 9639, 9.1.1: the size follows the coded number.
    crc_at = offset + extra + {12: 1, 13: 2, 14: 2}.get(rate_code, 0)
    if number is None or block_code == 0 or crc_at >= len(header):
        return None
    crc = 0
    for byte in header[:crc_at]:
        crc = _CRC8[crc ^ byte]
    if crc != header[crc_at]:
        return None
    size = _block_size(block_code, header[offset : offset + extra])
    is_variable = header[1] & 1
    return (number if is_variable else number * block_frames) + size


def _block_size(code: int, extra: bytes) -> int:
    """RFC 9639, table 14."""
    if extra:
        return int.from_bytes(extra, "big") + 1
    if code == 1:
        return 192
    return 144 << code if code <= 5 else 1 << code


def _coded_number(header: bytes) -> tuple[int | None, int]:
    """The number coded like a long UTF-8 character from byte 4 on, and where it ends. RFC 9639, 9.1.5."""
    first = header[4]
    if first < 0x80:
        return first, 5
    length = 8 - (first ^ 0xFF).bit_length()
    following = header[5 : 4 + length]
    if not 2 <= length <= 7 or len(following) < length - 1 or any(byte >> 6 != 2 for byte in following):
        return None, 0
    number = first & (0x7F >> length)
    for byte in following:
        number = number << 6 | byte & 0x3F
    return number, 4 + length


def _crc_closes_at(tail: bytes, start: int) -> int | None:
    """Where the frame at `start` ends: the end of the tail if its CRC closes there, else the first place.

    None where it closes nowhere. A frame followed by its own CRC leaves a remainder of zero.
    """
    crc, first_zero = 0, None
    for position in range(start, len(tail)):
        crc = (crc << 8 & 0xFF00) ^ _CRC16[crc >> 8 ^ tail[position]]
        if crc == 0 and first_zero is None:
            first_zero = position + 1
    return len(tail) if crc == 0 else first_zero
