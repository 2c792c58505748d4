"""The metadata of a FLAC file, and whether its last frame is where it should be. Source: RFC 9639."""

import struct
from typing import Literal

from analysis.audiofile.description import AudioDescription, Header, Subtype
from analysis.audiofile.errors import AudioError
from analysis.audiofile.flacframe import StreamInfo, refuse_wrong_frames
from analysis.audiofile.limits import Limits
from analysis.audiofile.source import Source

#: Metadata block types, RFC 9639 table 1.
_STREAMINFO, _SEEKTABLE, _VORBIS_COMMENT, _PICTURE, _FORBIDDEN = 0, 3, 4, 6, 127
_STREAMINFO_BYTES = 34
#: More tags than any tagging program writes. No source.
_MAX_TAGS = 10_000
_SEEKPOINT_BYTES = 18

_TAKEN: dict[int, Subtype] = {16: "PCM_16", 24: "PCM_24"}

_Order = Literal["little", "big"]


def read_flac_header(source: Source, limits: Limits) -> Header:
    """Header of a file that starts with fLaC. Raises AudioError for a damaged or unwanted one."""
    first_frame = _walk_metadata(source, limits)
    raw = source.at(8, _STREAMINFO_BYTES)
    min_block, max_block = struct.unpack(">HH", raw[:4])
    packed = int.from_bytes(
        raw[10:18], "big"
    )  # 20 bit rate, 3 channels - 1, 5 bits - 1, 36 samples: RFC 9639, 8.2
    rate_hz, channels, bits = packed >> 44, (packed >> 41 & 7) + 1, (packed >> 36 & 31) + 1
    frames = packed & (1 << 36) - 1

    if not 16 <= min_block <= max_block:
        raise _damaged(f"it claims blocks of {min_block} to {max_block} samples")
    if rate_hz == 0:
        raise _damaged("it claims a rate of 0 Hz")
    subtype = _TAKEN.get(bits)
    if subtype is None:
        raise AudioError(
            "wrong_codec", f"The FLAC file has {bits} bit; 16 and 24 bit are taken. Export at 24 bit."
        )
    if first_frame >= source.size:
        raise AudioError(
            "empty", "The file holds no sound: zero samples. Export again and check the range exported."
        )
    if frames == 0:
        raise AudioError(
            "unfinished_header",
            "The header does not say how long the recording is, as happens when a program writes into a pipe "
            "or stops before it has finished. Export again straight into a file.",
        )
    info = StreamInfo(
        max_block_frames=max_block, rate_hz=rate_hz, channels=channels, bits=bits, frames=frames
    )
    refuse_wrong_frames(source, first_frame, info)
    return Header(
        description=AudioDescription(
            format="FLAC", subtype=subtype, sample_rate_hz=rate_hz, channels=channels, frames=frames
        ),
        first_sample_byte=first_frame,
        # Sixteen zero bytes mean that the encoder stored none: RFC 9639, 8.2.
        pcm_md5=raw[18:34].hex() if any(raw[18:34]) else None,
    )


def _walk_metadata(source: Source, limits: Limits) -> int:
    """Check every metadata block's length, and the lengths inside it; return where the first frame starts."""
    offset = 4
    for number in range(limits.max_chunks):
        head = source.at(offset, 4)
        is_last, kind, size = head[0] >> 7, head[0] & 0x7F, int.from_bytes(head[1:], "big")
        start, offset = offset + 4, offset + 4 + size
        if kind == _FORBIDDEN or (kind == _STREAMINFO) != (number == 0):
            raise _damaged("its metadata does not start with exactly one STREAMINFO block")
        if kind == _STREAMINFO and size != _STREAMINFO_BYTES:
            raise _damaged(f"its STREAMINFO block has {size:,} bytes instead of {_STREAMINFO_BYTES}")
        if offset > limits.max_other_bytes:
            raise AudioError(
                "too_much_beside_sound",
                f"The file carries {offset / 1e6:,.1f} MB or more beside its sound; at most "
                f"{limits.max_other_bytes / 1e6:,.1f} MB are taken. Export again without pictures and tags.",
            )
        if offset > source.size:
            raise AudioError(
                "truncated",
                f"The header speaks of {offset:,} bytes before the sound; the file ends after {source.size:,}"
                ". Export again and upload the complete file.",
            )
        _check_inside(kind, source.at(start, size))
        if is_last:
            return offset
    raise AudioError(
        "too_many_chunks",
        f"The file has more than {limits.max_chunks} metadata blocks. Export again without markers and tags.",
    )


def _check_inside(kind: int, block: bytes) -> None:
    """Refuse a block whose inner lengths point outside it: decoders have stumbled over these."""
    if kind == _SEEKTABLE and len(block) % _SEEKPOINT_BYTES:
        raise _damaged("its seek table is not a whole number of points")
    if kind == _VORBIS_COMMENT:
        offset = _after_field(block, 0, "little")
        count, offset = _number(block, offset, "little"), offset + 4
        if count > _MAX_TAGS:
            raise _damaged(f"it claims {count:,} tags")
        for _ in range(count):
            offset = _after_field(block, offset, "little")
    if kind == _PICTURE:
        offset = _after_field(block, 4, "big")  # Past the picture type and the media type,
        offset = _after_field(block, offset, "big")  # the description,
        _after_field(block, offset + 16, "big")  # width, height, depth, colours, and the picture itself.


def _after_field(block: bytes, offset: int, order: _Order) -> int:
    """Where the length-prefixed field at `offset` ends."""
    end = offset + 4 + _number(block, offset, order)
    if end > len(block):
        raise _damaged("a tag or picture is longer than the block that holds it")
    return end


def _number(block: bytes, offset: int, order: _Order) -> int:
    if offset + 4 > len(block):
        raise _damaged("a tag or picture ends too early")
    return int.from_bytes(block[offset : offset + 4], order)


def _damaged(what: str) -> AudioError:
    return AudioError("header_damaged", f"The FLAC header is damaged: {what}. Export the file again.")
