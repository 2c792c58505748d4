"""Ogg (RFC 3533) with Vorbis, Opus (RFC 7845) or FLAC sound, as far as length and streams go."""

from __future__ import annotations

import struct
from typing import BinaryIO

from academy.courses.containers.faults import MediaRefused, broken

MAGIC = b"OggS"
_TAIL_BYTES = 128 * 1024  # two of the largest pages, 65,307 bytes each
_BEGINS = 0x02
_OPUS_HZ = 48_000  # RFC 7845, clause 4: granules always count at this rate
_NO_PACKET_ENDS = 0xFFFF_FFFF_FFFF_FFFF


def look_at(file: BinaryIO, size_bytes: int) -> tuple[bool, float]:
    """Whether there is a picture, and the length in seconds. Raises MediaRefused."""
    sound, has_picture = _streams(file)
    if sound is None:
        raise MediaRefused("This Ogg holds no Vorbis, Opus or FLAC sound. Export it as one of them.")
    serial, rate_hz, skipped = sound
    return has_picture, max(0, _last_granule(file, size_bytes, serial) - skipped) / rate_hz


def _streams(file: BinaryIO) -> tuple[tuple[int, int, int] | None, bool]:
    """Serial number, rate in Hz and frames to skip of the sound; and whether there is a picture beside it."""
    sound, has_picture = None, False
    while len(head := file.read(27)) == 27 and head.startswith(MAGIC):
        if not head[5] & _BEGINS:
            break  # every stream begins before any goes on
        serial = struct.unpack_from("<I", head, 14)[0]
        packet = file.read(sum(file.read(head[26])))
        try:
            if packet.startswith(b"\x01vorbis"):
                sound = serial, struct.unpack_from("<I", packet, 12)[0], 0
            elif packet.startswith(b"OpusHead"):
                sound = serial, _OPUS_HZ, struct.unpack_from("<H", packet, 10)[0]
            elif packet.startswith(b"\x7fFLAC"):
                sound = serial, int.from_bytes(packet[27:30]) >> 4, 0
            elif packet.startswith(b"\x80theora"):
                has_picture = True
        except struct.error:
            raise broken("Ogg") from None
    if sound is not None and sound[1] == 0:
        raise broken("Ogg")
    return sound, has_picture


def _last_granule(file: BinaryIO, size_bytes: int, serial: int) -> int:
    file.seek(max(0, size_bytes - _TAIL_BYTES))
    tail = file.read()
    at = tail.rfind(MAGIC)
    while at >= 0:
        if at + 18 <= len(tail):
            granule, of = struct.unpack_from("<QI", tail, at + 6)
            if of == serial and granule != _NO_PACKET_ENDS:
                return int(granule)
        at = tail.rfind(MAGIC, 0, at)
    raise broken("Ogg")
