"""The one shelf on which sealed bytes lie, a folder or a bucket. Keys are random; names never reach them."""

from __future__ import annotations

import os
import shutil
import tempfile
import uuid
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import IO

from django.conf import settings
from django.core.files import File
from django.core.files.storage import Storage, storages


def shelf() -> Storage:
    """The storage that holds recordings, copies and archives."""
    return storages["recordings"]


def new_key() -> str:
    """A random key that says nothing, in one of 256 folders."""
    name = uuid.uuid4().hex
    return f"{name[:2]}/{name}"


def keep(path: Path, *, key: str | None = None) -> str:
    """Copy a finished file to the shelf and return its key."""
    with path.open("rb") as file:
        return shelf().save(key or new_key(), File(file))


def adopt(path: Path, *, key: str | None = None) -> str:
    """Keep a finished file of our own that nobody changes any more, and return its key.

    On one disk it gets a second name, which takes no time and no room; elsewhere it is copied.
    """
    key = key or new_key()
    try:
        where = Path(shelf().path(key))
        where.parent.mkdir(parents=True, exist_ok=True)
        os.link(path, where)
        where.chmod(shelf().file_permissions_mode)  # type: ignore[attr-defined]  # it is a folder by now
    except (NotImplementedError, OSError):  # a bucket; another disk, or one that knows no second names
        return keep(path, key=key)
    return key


def opened(key: str) -> IO[bytes]:
    """The bytes under a key, for reading."""
    return shelf().open(key, "rb")


def can_sign() -> bool:
    """Whether the shelf is a bucket, which can give an address of a kept file to others."""
    return hasattr(shelf(), "querystring_auth")


def signed_address(key: str, answer: dict[str, str]) -> str:
    """An address at which a bucket sends the bytes under a key for a while. Only where `can_sign`.

    `answer` are the headers that it is to answer with, by their names in S3's GetObject.
    """
    address: str = shelf().url(key, parameters=answer)  # type: ignore[call-arg]  # a bucket's url takes them
    return address


def discard(key: str) -> None:
    """Remove what lies under a key; nothing happens when nothing does."""
    shelf().delete(key)


@contextmanager
def local_path(key: str) -> Iterator[Path]:
    """A path on this machine with the bytes under a key: the file itself, or a copy for as long as needed."""
    try:
        own: Path | None = Path(shelf().path(key))
    except NotImplementedError:  # the shelf is a bucket
        own = None
    if own is not None:
        yield own
        return
    with tempfile.NamedTemporaryFile(dir=settings.INCOMING_DIR) as copy:
        with opened(key) as source:
            shutil.copyfileobj(source, copy)
        copy.flush()
        yield Path(copy.name)


@contextmanager
def local_paths(keys: Iterable[str]) -> Iterator[list[Path]]:
    """The same for several keys at once, in their order."""
    with ExitStack() as borrowed:
        yield [borrowed.enter_context(local_path(key)) for key in keys]
