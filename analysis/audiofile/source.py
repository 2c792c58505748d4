"""Random access to the bytes of one open file, without moving its position."""

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from analysis.audiofile.errors import AudioError


@dataclass(frozen=True, slots=True)
class Source:
    """An open regular file: its descriptor and its size in bytes."""

    fd: int
    size: int

    def at(self, offset: int, count: int) -> bytes:
        """Exactly `count` bytes from `offset`. Raises AudioError `truncated` where the file ends earlier."""
        found = self.up_to(offset, count)
        if len(found) < count:
            raise AudioError(
                "truncated",
                f"The file ends after {self.size:,} bytes, in the middle of its header. "
                "The export or the upload was cut short: export again and upload the complete file.",
            )
        return found

    def up_to(self, offset: int, count: int) -> bytes:
        """At most `count` bytes from `offset`; fewer at the end of the file."""
        parts = []
        while count > 0 and (part := os.pread(self.fd, count, offset)):
            parts.append(part)
            offset += len(part)
            count -= len(part)
        return b"".join(parts)

    def fill(self, offset: int, into: memoryview) -> int:
        """Fill `into` with the bytes from `offset` on; how many there were: fewer at the end of the file."""
        filled = 0
        while filled < len(into) and (count := os.preadv(self.fd, [into[filled:]], offset + filled)):
            filled += count
        return filled


@contextmanager
def opened(path: str | os.PathLike[str]) -> Iterator[Source]:
    """Open a regular file. Raises OSError where that fails, AudioError `not_audio` for a pipe or a device."""
    # Non-blocking, because opening a pipe that nobody writes to would wait for ever.
    fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    try:
        yield source_of(fd)
    finally:
        os.close(fd)


def source_of(fd: int) -> Source:
    """The source behind an open descriptor, which stays the caller's to close."""
    status = os.fstat(fd)
    if stat.S_ISDIR(status.st_mode):
        raise AudioError("not_audio", "This is a folder. Choose one WAV or FLAC file.")
    if not stat.S_ISREG(status.st_mode):
        raise AudioError("not_audio", "This is a pipe or a device. Choose one WAV or FLAC file on a disk.")
    return Source(fd=fd, size=status.st_size)
