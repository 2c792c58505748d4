"""WebM: EBML (RFC 8794) holding Matroska (RFC 9559), as far as length and tracks go."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import BinaryIO

from academy.courses.containers.faults import MediaRefused, broken

MAGIC = b"\x1a\x45\xdf\xa3"
LARGEST_PART = 16 * 1024 * 1024
_DOC_TYPE, _SEGMENT, _INFO, _TRACKS, _CLUSTER = 0x4282, 0x18538067, 0x1549A966, 0x1654AE6B, 0x1F43B675
_SCALE, _DURATION, _ENTRY, _TRACK_TYPE = 0x2AD7B1, 0x4489, 0xAE, 0x83
_DEFAULT_SCALE_NS = 1_000_000
_PICTURE, _SOUND = 1, 2


def look_at(file: BinaryIO, size_bytes: int) -> tuple[bool, float]:
    """Whether there is a picture, and the length in seconds. Raises MediaRefused."""
    head_size = _element(file, size_bytes)[2]
    if dict(_elements(_body(file, head_size))).get(_DOC_TYPE, b"").rstrip(b"\0") != b"webm":
        raise MediaRefused("This is Matroska, which browsers do not play. Export it as WebM or MP4.")
    kind, _, _ = _element(file, size_bytes)
    if kind != _SEGMENT:
        raise broken("WebM")
    info, tracks = _info_and_tracks(file, size_bytes)
    types = {
        int.from_bytes(dict(_elements(entry)).get(_TRACK_TYPE, b"\0"))
        for kind, entry in _elements(tracks)
        if kind == _ENTRY
    }
    if not types & {_PICTURE, _SOUND}:
        raise MediaRefused("This WebM has neither sound nor picture. Export it again.")
    return _PICTURE in types, _length_s(info)


def _info_and_tracks(file: BinaryIO, size_bytes: int) -> tuple[bytes, bytes]:
    """The two parts that stand before the first cluster, as RFC 9559 recommends and every muxer does."""
    found: dict[int, bytes] = {}
    while file.tell() < size_bytes and {_INFO, _TRACKS} - found.keys():
        kind, start, size = _element(file, size_bytes)
        if kind in {_INFO, _TRACKS}:
            found[kind] = _body(file, size)
        elif kind == _CLUSTER:
            break
        else:
            file.seek(start + size)
    if {_INFO, _TRACKS} - found.keys():
        raise broken("WebM")
    return found[_INFO], found[_TRACKS]


def _length_s(info: bytes) -> float:
    found = dict(_elements(info))
    scale_ns = int.from_bytes(found.get(_SCALE, b"")) or _DEFAULT_SCALE_NS
    layout = {4: ">f", 8: ">d"}.get(len(found.get(_DURATION, b"")))
    if layout is None:
        raise MediaRefused(
            "This WebM does not say how long it is, as one recorded live. Export it again as a whole file."
        )
    units: float = struct.unpack(layout, found[_DURATION])[0]
    return units * scale_ns * 1e-9


def _element(file: BinaryIO, size_bytes: int) -> tuple[int, int, int]:
    """Kind, first byte of the body and size of the element at hand; one of unknown size goes to the end."""
    head = file.read(12)
    try:
        kind, at = _vint(head, 0, keeps_marker=True)
        size, after = _vint(head, at, keeps_marker=False)
    except IndexError:
        raise broken("WebM") from None
    start = file.tell() - len(head) + after
    if size == (1 << 7 * (after - at)) - 1:
        size = size_bytes - start
    if start + size > size_bytes:
        raise broken("WebM")
    file.seek(start)
    return kind, start, size


def _body(file: BinaryIO, size: int) -> bytes:
    if size > LARGEST_PART:
        raise broken("WebM")
    return file.read(size)


def _elements(body: bytes) -> Iterator[tuple[int, bytes]]:
    at = 0
    try:
        while at < len(body):
            kind, at = _vint(body, at, keeps_marker=True)
            size, at = _vint(body, at, keeps_marker=False)
            yield kind, body[at : at + size]
            at += size
    except IndexError:
        raise broken("WebM") from None


def _vint(body: bytes, at: int, *, keeps_marker: bool) -> tuple[int, int]:
    """A number of variable width (RFC 8794, clause 4) and where it ends. IndexError past the end."""
    first = body[at]
    width = 9 - first.bit_length()
    if width > 8 or at + width > len(body):
        raise IndexError
    value = int.from_bytes(body[at : at + width])
    return (value if keeps_marker else value & (1 << 7 * width) - 1), at + width
