"""Write the whole site into one file."""

from __future__ import annotations

import hashlib
import io
import json
import os
import tarfile
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

from django.conf import settings
from django.core.management import call_command
from django.db import connection, transaction

from academy.config.backups.archive import (
    DATABASE,
    FILES,
    KIND,
    MANIFEST,
    SECRET_NAMES,
    SECRETS,
    VERSION,
    BackupRefused,
    Summary,
    applied_migrations,
    keys_of,
    shelf,
)

# Made anew by `migrate`, or of no use elsewhere.
LEFT_OUT = ("contenttypes", "auth.permission", "sessions", "intake.upload")


def back_up(path: Path, *, now: datetime) -> Summary:
    """Write everything into a new file for its owner alone.

    A running site may go on; what comes later is not in. The database is read in one snapshot, before the
    files, so that no row can miss its file. Raises BackupRefused when `path` exists or cannot be written, and
    leaves nothing half-written.
    """
    try:
        file = os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb")
    except FileExistsError as exc:
        raise BackupRefused(f"{path} exists already; give another name.") from exc
    except OSError as exc:
        raise BackupRefused(f"{path} cannot be written: {exc.strerror}.") from exc
    try:
        with file, tarfile.open(fileobj=file, mode="w|") as archive:
            return _written(archive, now)
    except OSError as exc:
        path.unlink(missing_ok=True)
        raise BackupRefused(f"The backup could not be written whole: {exc.strerror or exc}.") from exc
    except BaseException:
        path.unlink(missing_ok=True)
        raise


def _written(archive: tarfile.TarFile, now: datetime) -> Summary:
    listed: dict[str, tuple[int, str]] = {}
    with tempfile.TemporaryDirectory(dir=settings.INCOMING_DIR) as folder:
        dump = Path(folder) / DATABASE
        _dump(dump)
        with dump.open("rb") as lines:
            rows = sum(1 for _ in lines)
        _add(archive, DATABASE, dump.open("rb"), dump.stat().st_size, listed)
    files = size_bytes = 0
    for key in keys_of(shelf()):
        try:
            size, file = shelf().size(key), shelf().open(key, "rb")
        except FileNotFoundError:  # the site goes on, and has thrown it away since the list was made
            continue
        _add(archive, FILES + key, file, size, listed)
        files, size_bytes = files + 1, size_bytes + size
    for name in SECRET_NAMES:
        secret = settings.DATA_DIR / name
        if secret.exists():
            _add(archive, SECRETS + name, secret.open("rb"), secret.stat().st_size, listed)
    manifest = {
        "kind": KIND,
        "version": VERSION,
        "made_at": now.astimezone(UTC).isoformat(),
        "migrations": applied_migrations(),
        "rows": rows,
        "files": listed,
    }
    text = json.dumps(manifest, indent=1).encode()
    _add(archive, MANIFEST, io.BytesIO(text), len(text), {})
    return Summary(rows=rows, files=files, size_bytes=size_bytes)


def _dump(path: Path) -> None:
    """Every row, in an order in which it can be read back, in one snapshot of the database."""
    with transaction.atomic():
        if connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
        call_command(
            "dumpdata", format="rows", exclude=LEFT_OUT, natural_foreign=True, output=str(path), verbosity=0
        )


class _Summed(io.RawIOBase):
    """A file that is summed while it is read."""

    def __init__(self, file: IO[bytes]) -> None:
        self.file, self.digest = file, hashlib.sha256()

    def read(self, size: int = -1) -> bytes:
        block = self.file.read(size)
        self.digest.update(block)
        return block


def _add(
    archive: tarfile.TarFile, name: str, file: IO[bytes], size: int, listed: dict[str, tuple[int, str]]
) -> None:
    entry = tarfile.TarInfo(name)
    entry.size, entry.mode = size, 0o600
    with file:
        summed = _Summed(file)
        archive.addfile(entry, summed)
    listed[name] = (size, summed.digest.hexdigest())
