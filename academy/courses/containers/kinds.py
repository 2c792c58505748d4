"""The kinds of recording that a lesson may have. The bytes decide; the file's name has no say."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from academy.courses.containers import ebml, isobmff, mpegaudio, ogg
from academy.courses.containers.faults import MediaRefused
from analysis import audiofile
from analysis.audiofile import AudioError

ACCEPTED = "MP4, WebM, Ogg, MP3, WAV or FLAC"
LONGEST_S = 8 * 3600.0

_CONTENT_TYPES = {
    ("MP4", False): "audio/mp4",
    ("MP4", True): "video/mp4",
    ("WebM", False): "audio/webm",
    ("WebM", True): "video/webm",
    ("Ogg", False): "audio/ogg",
    ("Ogg", True): "video/ogg",
    ("MP3", False): "audio/mpeg",
    ("WAV", False): "audio/wav",
    ("FLAC", False): "audio/flac",
}

__all__ = ["ACCEPTED", "Found", "MediaRefused", "look_at"]


@dataclass(frozen=True)
class Found:
    """What a file is. `is_cuttable`: samples can be read here, so that a part can be made of it."""

    container: str
    has_picture: bool
    length_s: float

    @property
    def content_type(self) -> str:
        """As RFC 4337 (MP4), RFC 5334 (Ogg), RFC 3003 (MP3), RFC 9639 (FLAC) and common practice name it."""
        return _CONTENT_TYPES[self.container, self.has_picture]

    @property
    def is_cuttable(self) -> bool:
        """Whether our own reader can open it."""
        return self.container in {"WAV", "FLAC"}


def look_at(path: Path) -> Found:
    """Tell the kind and length of a file. Only its structure is read, in small pieces.

    Raises MediaRefused for anything but the accepted kinds, for one whose structure is broken, and for one
    that plays nothing or longer than eight hours.
    """
    with path.open("rb") as file:
        size_bytes = file.seek(0, os.SEEK_END)
        file.seek(0)
        if size_bytes == 0:
            raise MediaRefused("The file is empty. Export it again.")
        found = _found(file, path, size_bytes)
    if not 0 < found.length_s <= LONGEST_S:
        raise MediaRefused(
            f"By its own words this {found.container} file plays {found.length_s:.1f} s. "
            f"More than nothing and at most {LONGEST_S / 3600:.0f} h is taken. Export it again."
        )
    return found


def _found(file: BinaryIO, path: Path, size_bytes: int) -> Found:
    start = file.read(16)
    file.seek(0)
    if start[4:8] == b"ftyp":
        return Found("MP4", *isobmff.look_at(file, size_bytes))
    if start.startswith(ebml.MAGIC):
        return Found("WebM", *ebml.look_at(file, size_bytes))
    if start.startswith(ogg.MAGIC):
        return Found("Ogg", *ogg.look_at(file, size_bytes))
    if start.startswith(b"fLaC") or start[:4] in {b"RIFF", b"RF64", b"BW64"}:
        return _described(path)
    if mpegaudio.begins_like_one(start):
        return Found("MP3", False, mpegaudio.length_s(file, size_bytes))
    raise MediaRefused(f"This is none of the kinds taken here: {ACCEPTED}. Export it as one of them.")


def _described(path: Path) -> Found:
    try:
        described = audiofile.describe(path, audiofile.METER_LIMITS)
    except AudioError as error:
        raise MediaRefused(error.message) from error
    return Found(described.format, False, described.frames / described.sample_rate_hz)
