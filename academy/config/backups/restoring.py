"""Fill an empty site from a backup."""

from __future__ import annotations

import hashlib
import json
import os
import tarfile
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from django.conf import settings
from django.contrib.auth import get_user_model
from django.core.files import File
from django.core.management import call_command
from django.db import transaction

from academy.config.backups.archive import (
    BLOCK_BYTES,
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

LARGEST_MANIFEST_BYTES = 1 << 30


def restore(path: Path) -> Summary:
    """Put everything back, once the file has been read whole and compared with its manifest.

    Raises BackupRefused for a file that is no backup or was altered, for a site that holds anything, and
    where there is trouble on the way; the site is then as empty as before.
    """
    _refuse_unless_empty()
    try:
        return _put_back(path)
    except OSError as exc:
        raise BackupRefused(f"The backup could not be put back: {exc.strerror or exc}.") from exc


def _put_back(path: Path) -> Summary:
    manifest = _checked(path)
    if manifest.get("migrations") != applied_migrations():
        raise BackupRefused(
            "The backup was made by another version of the program, whose tables differ. Put it back with "
            "that version, then update."
        )
    kept: list[str] = []
    try:
        with _opened(path) as archive, tempfile.TemporaryDirectory(dir=settings.INCOMING_DIR) as folder:
            rows = Path(folder) / DATABASE
            for name, file in _members(archive):
                if name == DATABASE:
                    _copy(file, rows)
                elif name.startswith(FILES):
                    kept.append(_keep(name.removeprefix(FILES), file))
            with transaction.atomic():  # rows never stand without their files and secrets
                call_command("loaddata", str(rows), verbosity=0)
                # Last, so that a failure before leaves the secrets as they were.
                _put_secrets_back(path)
    except BaseException:
        for key in kept:
            shelf().delete(key)
        raise
    files = {name: size for name, (size, _) in manifest["files"].items() if name.startswith(FILES)}
    return Summary(rows=manifest["rows"], files=len(files), size_bytes=sum(files.values()))


@contextmanager
def _opened(path: Path) -> Iterator[tarfile.TarFile]:
    try:
        file = path.open("rb")
    except OSError as exc:
        raise BackupRefused(f"{path} cannot be read: {exc.strerror or exc}.") from exc
    try:
        with file, tarfile.open(fileobj=file, mode="r|") as archive:
            yield archive
    except tarfile.TarError as exc:
        raise BackupRefused(f"{path} is no backup of a site, or a part of it is missing.") from exc


def _members(archive: tarfile.TarFile) -> Iterator[tuple[str, IO[bytes]]]:
    for entry in archive:
        file = archive.extractfile(entry) if entry.isreg() else None
        if file is None:
            raise BackupRefused(f"{entry.name} is no plain file; a backup holds no other.")
        yield entry.name, file


def _checked(path: Path) -> dict[str, Any]:
    """The manifest, once every file before it has been found as it says."""
    found: dict[str, list[int | str]] = {}
    manifest: dict[str, Any] | None = None
    with _opened(path) as archive:
        for name, file in _members(archive):
            if name == MANIFEST:
                manifest = _manifest(path, file)
                continue
            digest, size = hashlib.sha256(), 0
            while block := file.read(BLOCK_BYTES):
                digest.update(block)
                size += len(block)
            if name in found:
                raise BackupRefused(f"{name} is in the backup twice.")
            found[name] = [size, digest.hexdigest()]
    if manifest is None:
        raise BackupRefused(f"{path} has no manifest: it is no backup of a site, or its end is missing.")
    listed = manifest["files"]
    wrong = sorted(name for name in found.keys() | listed.keys() if found.get(name) != listed.get(name))
    if wrong:
        raise BackupRefused(f"{len(wrong)} of its files are not as they were written, the first {wrong[0]}.")
    for name in found:
        if not _is_ours(name):
            raise BackupRefused(f"The backup holds {name}, which belongs in none.")
    return manifest


def _is_ours(name: str) -> bool:
    if name.startswith(FILES):
        parts = name.removeprefix(FILES).split("/")
        return all(part and part not in {".", ".."} and "\\" not in part for part in parts)
    return name == DATABASE or name in {SECRETS + secret for secret in SECRET_NAMES}


def _manifest(path: Path, file: IO[bytes]) -> dict[str, Any]:
    try:
        manifest = json.loads(file.read(LARGEST_MANIFEST_BYTES))
    except ValueError as exc:
        raise BackupRefused(f"The manifest of {path} cannot be read.") from exc
    if not isinstance(manifest, dict) or (manifest.get("kind"), manifest.get("version")) != (KIND, VERSION):
        raise BackupRefused(f"{path} is no backup that this program knows.")
    if not isinstance(manifest.get("files"), dict) or not isinstance(manifest.get("rows"), int):
        raise BackupRefused(f"The manifest of {path} cannot be read.")
    return manifest


def _refuse_unless_empty() -> None:
    if get_user_model().objects.exists() or next(keys_of(shelf()), None) is not None:
        raise BackupRefused(
            "This site holds something already. A backup is put back into an empty one: another DATA_DIR, or "
            "another database and bucket."
        )


def _copy(file: IO[bytes], path: Path) -> None:
    with path.open("wb") as copy:
        while block := file.read(BLOCK_BYTES):
            copy.write(block)


def _keep(key: str, file: IO[bytes]) -> str:
    with tempfile.NamedTemporaryFile(dir=settings.INCOMING_DIR) as spool:
        _copy(file, Path(spool.name))
        with Path(spool.name).open("rb") as whole:
            kept: str = shelf().save(key, File(whole))
    if kept != key:
        shelf().delete(kept)
        raise BackupRefused(f"The shelf would not take {key} under its own name.")
    return kept


def _put_secrets_back(path: Path) -> None:
    with _opened(path) as archive:
        for name, file in _members(archive):
            if name.startswith(SECRETS):
                secret = settings.DATA_DIR / name.removeprefix(SECRETS)
                secret.unlink(missing_ok=True)
                descriptor = os.open(secret, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
                with os.fdopen(descriptor, "wb") as kept:
                    kept.write(file.read())
