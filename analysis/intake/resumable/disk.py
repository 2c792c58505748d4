"""The bytes of unfinished uploads in a folder of this machine: one file each, locked by the kernel."""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import IO, Any
from uuid import UUID

from django.conf import settings

from analysis.intake import keeping
from analysis.intake.models import Upload
from analysis.intake.resumable import refusals, rows


class DiskPlace:
    """A folder on the disk. The lock is the file's own, so it goes with the process that held it."""

    needs_disk = True

    def begin(self, upload: Upload) -> None:
        """Make an empty file, durably. The row is written afterwards."""
        descriptor = os.open(_path(upload.pk), os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
        os.close(descriptor)
        _sync_folder()

    @contextmanager
    def held(self, upload_id: UUID) -> Iterator[DiskHold]:
        """Have the upload alone. Raises UploadRefused: 423 while another has it, 404 or 410 if it is gone."""
        upload = rows.find(upload_id)
        try:
            file = _path(upload_id).open("r+b")
        except FileNotFoundError:
            raise rows.lost(upload) from None
        with file:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                raise refusals.busy() from None
            yield DiskHold(file, rows.find(upload_id))

    def discard(self, upload: Upload) -> None:
        """Remove the bytes; nothing happens when there are none."""
        _path(upload.pk).unlink(missing_ok=True)

    def sweep_strays(self, *, older_than: timedelta) -> int:
        """Remove files that no row speaks of: a process died between the two. Returns how many."""
        before = time.time() - older_than.total_seconds()
        removed = 0
        for path in _folder().iterdir():
            if path.stat().st_mtime < before and not Upload.objects.filter(pk=path.name).exists():
                path.unlink(missing_ok=True)
                removed += 1
        return removed


class DiskHold:
    """One upload, had alone for as long as the file is open."""

    def __init__(self, file: IO[bytes], upload: Upload) -> None:
        self.upload = upload
        self._file = file
        if os.fstat(file.fileno()).st_size < upload.offset_bytes:
            raise rows.lost(upload)
        # What lies past the committed offset was never counted: a request died before it could say so.
        file.truncate(upload.offset_bytes)
        file.seek(upload.offset_bytes)

    def write(self, block: bytes) -> None:
        """Take the next bytes."""
        self._file.write(block)

    def settle(self, *, is_end: bool) -> tuple[int, dict[str, Any]]:
        """Make everything written durable. Returns the offset that may be committed, and the row's notes."""
        self._file.flush()
        os.fdatasync(self._file.fileno())
        return self._file.tell(), {}

    def drop(self) -> None:
        """Forget what was written and not committed."""
        self._file.truncate(self.upload.offset_bytes)

    @contextmanager
    def whole(self) -> Iterator[Path]:
        """The finished file, for as long as needed."""
        yield _path(self.upload.pk)

    def keep(self) -> str:
        """Put the finished file on the shelf and return its key."""
        return keeping.adopt(_path(self.upload.pk))


def _folder() -> Path:
    folder: Path = settings.INCOMING_DIR / "resumable"
    folder.mkdir(mode=0o700, exist_ok=True)
    return folder


def _path(upload_id: UUID) -> Path:
    return _folder() / upload_id.hex


def _sync_folder() -> None:
    descriptor = os.open(_folder(), os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
