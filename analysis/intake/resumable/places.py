"""Where the bytes of an unfinished upload lie: on this machine's disk, or in the bucket of the recordings."""

from __future__ import annotations

from contextlib import AbstractContextManager
from datetime import timedelta
from pathlib import Path
from typing import Any, Protocol
from uuid import UUID

from analysis.intake import keeping
from analysis.intake.models import Upload
from analysis.intake.resumable.disk import DiskPlace


class Hold(Protocol):
    """One upload, had alone; its row as it was read once the lock was there."""

    upload: Upload

    def write(self, block: bytes) -> None:
        """Take the next bytes after the committed offset."""

    def settle(self, *, is_end: bool) -> tuple[int, dict[str, Any]]:
        """Make durable what was written, all of it at the end of a request, and otherwise what costs little.

        Returns the offset up to which bytes are durable, and the notes to commit with it.
        """

    def drop(self) -> None:
        """Forget what was written and not committed."""

    def whole(self) -> AbstractContextManager[Path]:
        """A path on this machine with the finished file."""

    def keep(self) -> str:
        """Put the finished file on the shelf under a new key and return it."""


class Place(Protocol):
    """A kind of storage for bytes on their way in."""

    needs_disk: bool

    def begin(self, upload: Upload) -> None:
        """Make room for an upload whose row is written right afterwards."""

    def held(self, upload_id: UUID) -> AbstractContextManager[Hold]:
        """Have an upload alone. Raises UploadRefused: 423 while another has it, 404 or 410 if it is gone."""

    def discard(self, upload: Upload) -> None:
        """Remove its bytes; nothing happens when there are none."""

    def sweep_strays(self, *, older_than: timedelta) -> int:
        """Remove bytes that no row speaks of. Returns how many uploads' worth."""


def place() -> Place:
    """The one that goes with the storage of the recordings."""
    try:
        keeping.shelf().path("")
    except (
        NotImplementedError
    ):  # a bucket: several machines may share it, and this one's disk is not for files
        from analysis.intake.resumable.bucket import BucketPlace

        return BucketPlace()
    return DiskPlace()
