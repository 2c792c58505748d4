"""Whether a FLAC file's first and last frame are in place: found without decoding.

Source: RFC 9639, section 9.

A file cut short, one with something appended, and one whose header claims the wrong length all decode without
complaint in common decoders. The last frame tells: its header names its first sample, and its CRC must end
the file.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

from analysis.audiofile.errors import AudioError
from analysis.audiofile.source import Source

#: The longest frame that counts as sane: 65,535 stereo 32-bit samples, uncompressed, and some room.
_TAIL_BYTES = 2**20
#: Frame headers to try from the end. Chance makes one in some 8 MB; a file full of them must not cost hours.
_MAX_TRIES = 8
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


#: RFC 9639, 9.1.2 to 9.1.4. Codes that are not here say nothing by themselves.
_RATES_HZ = {
    1: 88_200, 2: 176_400, 3: 192_000, 4: 8_000, 5: 16_000, 6: 22_050, 7: 24_000, 8: 32_000, 9: 44_100,
    10: 48_000, 11: 96_000,
}  # fmt: skip
_STEREO_CODES = (8, 9, 10)
_BITS = {1: 8, 2: 12, 4: 16, 5: 20, 6: 24, 7: 32}


@dataclass(frozen=True, slots=True)
class StreamInfo:
    """What the frames have to agree with: the STREAMINFO block, RFC 9639, 8.2."""

    max_block_frames: int
    rate_hz: int
    channels: int
    bits: int
    frames: int


@dataclass(frozen=True, slots=True)
class _Frame:
    """One frame header: where it stands, the sample after its last one, and what it says of its samples."""

    offset: int
    end_sample: int
    rate_hz: int
    channels: int
    bits: int


def refuse_wrong_frames(source: Source, first_frame: int, info: StreamInfo) -> None:
    """Raise AudioError unless the first and the last frame are those that `info` promises.

    `first_frame` is the byte where the sound starts. The last frame has to end the file, and its last sample
    the recording.
    """
    first = _frame_at(source.up_to(first_frame, _MAX_HEADER_BYTES), 0, info)
    if first is None:
        raise AudioError(
            "header_damaged", "The FLAC file's sound does not follow its header. Export the file again."
        )
    _refuse_other_kind(first, info)
    tail_start = max(first_frame, source.size - _TAIL_BYTES)
    tail = source.up_to(tail_start, _TAIL_BYTES)
    for frame in islice(_frames_from_the_end(tail, info), _MAX_TRIES):
        whole_at = _crc_closes_at(tail, frame.offset)
        if whole_at == len(tail):
            _refuse_other_kind(frame, info)
            if frame.end_sample == info.frames:
                return
            raise AudioError(
                "wrong_length",
                f"The header claims {info.frames:,} samples; the sound ends after {frame.end_sample:,}. The "
                "file is incomplete or damaged: export again and upload the complete file.",
            )
        if frame.end_sample == info.frames and whole_at is not None:
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


def _frames_from_the_end(tail: bytes, info: StreamInfo) -> Iterator[_Frame]:
    position = len(tail)
    while (position := tail.rfind(b"\xff", 0, position)) >= 0:
        frame = _frame_at(tail, position, info)
        if frame is not None:
            yield frame


def _frame_at(octets: bytes, offset: int, info: StreamInfo) -> _Frame | None:
    """The frame whose header stands at `offset`; None where these bytes are no header. RFC 9639, 9.1."""
    head = octets[offset : offset + _MAX_HEADER_BYTES]
    if len(head) < 6 or head[:2] not in (_FIXED_SYNC, _VARIABLE_SYNC):
        return None
    block_code, rate_code, channel_code, bits_code = (
        head[2] >> 4,
        head[2] & 15,
        head[3] >> 4,
        head[3] >> 1 & 7,
    )
    number, number_end = _coded_number(head)
    size_end = number_end + {6: 1, 7: 2}.get(block_code, 0)
    rate_end = size_end + {12: 1, 13: 2, 14: 2}.get(rate_code, 0)
    if number is None or block_code == 0 or rate_end >= len(head) or _crc8(head[:rate_end]) != head[rate_end]:
        return None
    is_variable = head[1] & 1
    first_sample = number if is_variable else number * info.max_block_frames
    return _Frame(
        offset=offset,
        end_sample=first_sample + _block_size(block_code, head[number_end:size_end]),
        rate_hz=_rate_hz(rate_code, head[size_end:rate_end]) or info.rate_hz,
        channels=2 if channel_code in _STEREO_CODES else channel_code + 1,
        bits=_BITS.get(bits_code, info.bits),
    )


def _refuse_other_kind(frame: _Frame, info: StreamInfo) -> None:
    said = (info.rate_hz, info.channels, info.bits)
    found = (frame.rate_hz, frame.channels, frame.bits)
    if found != said:
        raise AudioError(
            "header_damaged",
            "The FLAC file contradicts itself: its header says {} Hz, {} channels, {} bit".format(*said)
            + ", its sound {} Hz, {} channels, {} bit. Export the file again.".format(*found),
        )


def _crc8(octets: bytes) -> int:
    crc = 0
    for octet in octets:
        crc = _CRC8[crc ^ octet]
    return crc


def _rate_hz(code: int, extra: bytes) -> int | None:
    """RFC 9639, 9.1.2: a rate by its code, or in kHz, Hz or tens of Hz behind the header's numbers."""
    if extra:
        return int.from_bytes(extra, "big") * {12: 1000, 13: 1, 14: 10}[code]
    return _RATES_HZ.get(code)


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
    if _crc16_is_zero(tail[start:]):
        return len(tail)
    crc = 0
    for position in range(start, len(tail)):
        crc = (crc << 8 & 0xFF00) ^ _CRC16[crc >> 8 ^ tail[position]]
        if crc == 0:
            return position + 1
    return None


def _crc16_is_zero(octets: bytes) -> bool:
    """Whether these bytes leave no remainder: in some ten steps, where a table takes one for each byte.

    Every file that is opened or written is asked this, and a recording is cut into many files. The polynomial
    of RFC 9639, 9.3, is (x + 1)(x^15 + x + 1). The first divides what has an even number of ones. For the
    second, squaring without carry gives x^15m = x^m + 1 for each m that is a power of two: what stands from
    x^15m on may be moved down so far, whole words at a time.
    """
    left = int.from_bytes(octets, "big")
    if left.bit_count() % 2:
        return False
    m = 1 << max(0, (left.bit_length() // 15).bit_length() - 1)
    while m:
        while high := left >> 15 * m:
            left ^= high << 15 * m ^ high << m ^ high
        m //= 2
    return left == 0
