"""What a backup is: a tar archive that knows no engine.

The database as JSON lines, every file of the shelf under its own key, the two secrets that a laptop keeps
beside its data, and at the end a manifest with the SHA-256 of each. So a site moves from a laptop's SQLite
and folder to PostgreSQL and a bucket by the same two commands.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from django.core.files.storage import Storage, storages
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

KIND, VERSION = "site backup", 1
MANIFEST, DATABASE, FILES, SECRETS = "manifest.json", "database.rows", "files/", "secrets/"
SECRET_NAMES = ("secret_key", "signing_key")
BLOCK_BYTES = 1 << 20
UNFINISHED = "incoming/"  # parts of uploads that have not arrived whole


class BackupRefused(Exception):
    """A backup that is not made or not put back, and why."""


@dataclass(frozen=True)
class Summary:
    """How much there was."""

    rows: int
    files: int
    size_bytes: int


def shelf() -> Storage:
    """Where recordings and everything made of them lie."""
    return storages["recordings"]


def keys_of(shelf: Storage, folder: str = "") -> Iterator[str]:
    """Every key of the shelf, folder by folder; none where there is no folder yet."""
    try:
        folders, files = shelf.listdir(folder)
    except FileNotFoundError:
        return
    for name in sorted(files):
        yield f"{folder}{name}"
    for name in sorted(folders):
        if f"{folder}{name}/" != UNFINISHED:
            yield from keys_of(shelf, f"{folder}{name}/")


def applied_migrations() -> list[str]:
    """The migrations of this program, as they have been applied here."""
    return sorted(".".join(name) for name in MigrationExecutor(connection).loader.applied_migrations)
