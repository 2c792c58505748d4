"""Read a ZIP archive of stems that anybody may have made. Nothing of it reaches a path; no Django here.

The format: PKWARE, APPNOTE.TXT (flags: 4.4.4; methods: 4.4.5; external attributes: 4.4.15; names: 4.4.17).
"""

from __future__ import annotations

import errno
import stat
import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from analysis.measuring.audit_files import SOUND_ENDINGS
from analysis.measuring.file_names import alike

MOST_ENTRIES = 1_000
LONGEST_NAME_BYTES = 255  # as common file systems have it
MOST_UNPACKED_BYTES = 64 * 2**30
# Silence packs a thousandfold, a whole set of stems never: beyond this ratio, and beyond a gigabyte, it is a
# bomb. Deflate itself stops at 1,032 to 1 (RFC 1951, by its longest match).
MOST_RATIO = 50
HARMLESS_BYTES = 2**30
BLOCK_BYTES = 1024 * 1024

_ENCRYPTED = 0x1
_UTF8_NAMES = 0x800
# What Python's reader raises for an archive that contradicts itself: seen by changing bytes at random.
_DAMAGE = (zipfile.BadZipFile, zlib.error, struct.error, EOFError, RuntimeError, ValueError)
_END_RECORD = b"PK\x05\x06"
_LONGEST_END_BYTES = 22 + 65_535


class ZipRefused(Exception):
    """An archive of which nothing is taken; the sentence says why."""


@dataclass(frozen=True, slots=True)
class Track:
    """One sound file in the archive."""

    name: str
    size_bytes: int
    info: zipfile.ZipInfo


@dataclass(frozen=True, slots=True)
class Contents:
    """What an archive holds: its tracks, and the names of what was left out."""

    archive: zipfile.ZipFile
    tracks: list[Track]
    left_out: list[str]

    def blocks_of(self, track: Track) -> Iterator[bytes]:
        """The bytes of a track, at most as many as the archive announced. Raises ZipRefused for damage."""
        with (
            _refusing(f"“{track.name}” is damaged inside the archive. Pack it again."),
            self.archive.open(track.info) as file,
        ):
            while block := file.read(BLOCK_BYTES):
                yield block


@contextmanager
def opened(path: Path, *, largest_bytes: int) -> Iterator[Contents]:
    """The contents of an archive, once all of its names and sizes are found harmless.

    `largest_bytes` is what one track may take. Raises ZipRefused for an archive that is damaged, encrypted,
    too large unpacked, or holds another archive, two files of one name, a path that leads out, no track.
    """
    _refuse_many_entries(path)
    with _refusing("This is no ZIP archive, or it is damaged. Pack the folder again."):
        archive = zipfile.ZipFile(path)
    with archive:
        yield _looked_over(archive, path.stat().st_size, largest_bytes=largest_bytes)


@contextmanager
def _refusing(sentence: str) -> Iterator[None]:
    """Turn what damage makes of Python's reader into a refusal. A disk that fails stays an OSError."""
    try:
        yield
    except _DAMAGE as error:
        raise ZipRefused(sentence) from error
    except OSError as error:
        if error.errno != errno.EINVAL:  # what a place before the start of the file gives
            raise
        raise ZipRefused(sentence) from error


def _refuse_many_entries(path: Path) -> None:
    """By the end record alone, before a list of any length is read into memory."""
    with path.open("rb") as file:
        file.seek(max(0, path.stat().st_size - _LONGEST_END_BYTES))
        end = file.read()
    at = end.rfind(_END_RECORD)
    if at < 0 or len(end) - at < 22:
        raise ZipRefused("This is no ZIP archive, or it broke off. Pack the folder again.")
    (entries,) = struct.unpack_from("<H", end, at + 10)
    (list_bytes,) = struct.unpack_from("<L", end, at + 12)
    if entries > MOST_ENTRIES or MOST_ENTRIES * 1024 < list_bytes < 0xFFFFFFFF:
        raise ZipRefused(f"The archive lists more than {MOST_ENTRIES:,} files. Pack the stems alone.")


def _looked_over(archive: zipfile.ZipFile, size_bytes: int, *, largest_bytes: int) -> Contents:
    # Not by is_dir(), which falls over a name that is empty, or is cut at the null with which it begins.
    infos = [info for info in archive.infolist() if not info.orig_filename.endswith("/")]
    if len(infos) > MOST_ENTRIES:
        raise ZipRefused(f"The archive lists more than {MOST_ENTRIES:,} files. Pack the stems alone.")
    total_bytes = sum(info.file_size for info in infos)
    if total_bytes > MOST_UNPACKED_BYTES or (
        total_bytes > HARMLESS_BYTES and total_bytes > MOST_RATIO * size_bytes
    ):
        raise ZipRefused(
            f"Unpacked, the archive would take {total_bytes / 2**30:,.1f} GiB, out of all proportion to its "
            "size. Send the stems as they are."
        )
    tracks: list[Track] = []
    left_out: list[str] = []
    for info in infos:
        name = _name_of(info)
        if name is None:
            continue
        _refuse_unusable(info, name)
        if PurePosixPath(name).suffix.lower() not in SOUND_ENDINGS:
            left_out.append(name)
            continue
        if info.file_size > largest_bytes:
            raise ZipRefused(
                f"“{name}” takes {info.file_size / 2**20:,.0f} MiB; one stem may take "
                f"{largest_bytes / 2**20:,.0f} MiB at most. Export it as FLAC."
            )
        tracks.append(Track(name, info.file_size, info))
    _refuse_two_of_one_name(tracks)
    if not tracks:
        raise ZipRefused("There is no WAV or FLAC file in the archive. Pack one a stem.")
    return Contents(archive, tracks, left_out)


def _name_of(info: zipfile.ZipInfo) -> str | None:
    """The file's own name without its folders; None for what systems add by themselves and hide.

    Raises ZipRefused for a path that leads out of the folder into which it would be unpacked.
    """
    path = info.orig_filename
    if not info.flag_bits & _UTF8_NAMES:
        # Without the flag a name is in code page 437 by the standard, and in UTF-8 by most who write one.
        try:
            path = path.encode("cp437").decode("utf-8")
        except UnicodeError:
            pass
    parts = path.split("/")
    if path.startswith("/") or "\\" in path or ".." in parts or ":" in parts[0] or "\0" in path:
        raise ZipRefused(
            f"The archive holds a path that leads elsewhere, “{_shown(path)}”. Nothing of it was taken: pack "
            "the folder again."
        )
    if any(part.startswith((".", "__")) for part in parts):
        return None
    return parts[-1]


def _shown(name: str) -> str:
    """A name as a sentence can hold it; not every database takes a null."""
    return "".join(sign if sign.isprintable() else "?" for sign in name[:80])


def _refuse_unusable(info: zipfile.ZipInfo, name: str) -> None:
    if len(name.encode()) > LONGEST_NAME_BYTES or not name.isprintable():
        raise ZipRefused(
            f"“{_shown(name)}” is no name that a file system takes: it has {LONGEST_NAME_BYTES} bytes at "
            "most, and nothing in it that cannot be printed. Rename the file and pack the folder again."
        )
    if info.flag_bits & _ENCRYPTED:
        raise ZipRefused("The archive is encrypted. Pack the folder again without a pass word.")
    kind = stat.S_IFMT(info.external_attr >> 16)
    if kind not in (0, stat.S_IFREG):
        raise ZipRefused(f"“{name}” is a link or a device and no file. Pack the recording itself.")
    if PurePosixPath(name).suffix.lower() == ".zip":
        raise ZipRefused(
            f"There is another archive inside, “{name}”. Unpack it first and pack the stems alone."
        )
    if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise ZipRefused("The archive is packed by an unusual method. Pack the folder as an ordinary ZIP.")


def _refuse_two_of_one_name(tracks: list[Track]) -> None:
    seen: set[str] = set()
    for track in tracks:
        key = alike(PurePosixPath(track.name).stem)
        if key in seen:
            raise ZipRefused(
                f"There are two files called “{PurePosixPath(track.name).stem}” in the archive, perhaps in "
                "two folders. Give each stem a name of its own."
            )
        seen.add(key)
