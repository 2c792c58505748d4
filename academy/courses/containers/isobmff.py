"""MP4: the ISO base media file format (ISO/IEC 14496-12), as far as length and tracks go."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import BinaryIO

from academy.courses.containers.faults import MediaRefused, broken

LARGEST_MOOV = 64 * 1024 * 1024
_UNKNOWN_DURATIONS = {0xFFFFFFFF, 0xFFFFFFFFFFFFFFFF}


def look_at(file: BinaryIO, size_bytes: int) -> tuple[bool, float]:
    """Whether there is a picture, and the length in seconds. Raises MediaRefused."""
    moov = None
    for kind, start, end in _boxes_of_file(file, size_bytes):
        if kind == b"moov":
            if end - start > LARGEST_MOOV:
                raise broken("MP4")
            file.seek(start)
            moov = file.read(end - start)
    if moov is None:
        raise broken("MP4")
    length_s, handlers = None, set()
    for kind, body in _boxes(moov):
        if kind == b"mvhd":
            length_s = _length_s(body)
        elif kind == b"trak":
            handlers |= {found[8:12] for found in _inside(body, b"mdia", b"hdlr")}
    if not length_s:
        raise MediaRefused(
            "This MP4 does not say how long it is, as one made in fragments for streaming. "
            "Export it as one whole file."
        )
    if not handlers & {b"vide", b"soun"}:
        raise MediaRefused("This MP4 has neither sound nor picture. Export it again.")
    return b"vide" in handlers, length_s


def _boxes_of_file(file: BinaryIO, size_bytes: int) -> Iterator[tuple[bytes, int, int]]:
    """Kind, first byte of the body and end of each outermost box (clause 4.2)."""
    at = 0
    while at + 8 <= size_bytes:
        file.seek(at)
        head = file.read(16)
        size, kind = struct.unpack(">I4s", head[:8])
        header = 8
        if size == 1 and len(head) == 16:
            size, header = struct.unpack(">Q", head[8:])[0], 16
        elif size == 0:
            size = size_bytes - at
        if size < header or at + size > size_bytes:
            raise broken("MP4")
        yield kind, at + header, at + size
        at += size


def _boxes(body: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = 0
    while at + 8 <= len(body):
        size, kind = struct.unpack_from(">I4s", body, at)
        if size == 0:
            size = len(body) - at
        if size < 8 or at + size > len(body):
            raise broken("MP4")
        yield kind, body[at + 8 : at + size]
        at += size


def _inside(body: bytes, *path: bytes) -> list[bytes]:
    """The bodies of all boxes under a path of kinds."""
    found = [inner for kind, inner in _boxes(body) if kind == path[0]]
    return found if len(path) == 1 else [deep for inner in found for deep in _inside(inner, *path[1:])]


def _length_s(mvhd: bytes) -> float | None:
    """The movie header's duration over its timescale (clause 8.2.2)."""
    layout, at = (">IQ", 20) if mvhd[:1] == b"\1" else (">II", 12)
    try:
        timescale, units = struct.unpack_from(layout, mvhd, at)
    except struct.error:
        raise broken("MP4") from None
    return None if timescale == 0 or units in _UNKNOWN_DURATIONS else float(units / timescale)
