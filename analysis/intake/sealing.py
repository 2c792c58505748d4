"""Take in an upload: hash it, probe it in the sandbox, keep its bytes, and seal it as a recording."""

from __future__ import annotations

import hashlib
import tempfile
import uuid
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from uuid import UUID

from django.conf import settings
from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction
from django.db.models import ProtectedError

from analysis import audiofile
from analysis.audiofile import AudioDescription, AudioError
from analysis.intake import keeping
from analysis.intake.models import Recording
from analysis.intake.resumable import ending

BLOCK_BYTES = 1024 * 1024
LONGEST_NAME = 255


@dataclass(frozen=True)
class Received:
    """An upload that passed the probe. Its bytes are kept; no row speaks of it yet."""

    storage_key: str
    sha256: str
    size_bytes: int
    original_name: str
    description: AudioDescription
    upload_id: UUID | None = None  # where it came in parts and still lies in their place


def receive(blocks: Iterable[bytes], *, name: str) -> Received:
    """Stream an upload to disk, hash it, probe it, keep it.

    `blocks` are its bytes in order. Raises AudioError, with nothing kept, when it is not an acceptable WAV or
    FLAC or larger than the site takes.
    """
    with tempfile.NamedTemporaryFile(dir=settings.INCOMING_DIR) as spool:
        digest = hashlib.sha256()
        size_bytes = 0
        for block in blocks:
            size_bytes += len(block)
            if size_bytes > settings.LARGEST_UPLOAD_BYTES:
                raise AudioError("too_large", too_large())
            digest.update(block)
            spool.write(block)
        spool.flush()
        description = audiofile.probe(Path(spool.name))
        key = keeping.keep(Path(spool.name))
    return Received(key, digest.hexdigest(), size_bytes, shown_name(name), description)


def receive_whole(
    path: Path, *, name: str, keep: Callable[[], str], upload_id: UUID | None = None
) -> Received:
    """Hash and probe a file where it lies, then let `keep` put it on the shelf.

    Raises AudioError, with nothing kept, when it is not an acceptable WAV or FLAC.
    """
    with path.open("rb") as file:
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    description = audiofile.probe(path)
    return Received(keep(), sha256, path.stat().st_size, shown_name(name), description, upload_id)


def receive_file(path: Path, *, name: str | None = None) -> Received:
    """The same for a file that is already on this machine. It is read, never changed."""
    with path.open("rb") as file:
        return receive(iter(lambda: file.read(BLOCK_BYTES), b""), name=name or path.name)


def seal(received: Received, *, owner: AbstractBaseUser | None, now: datetime) -> Recording:
    """Write the row. Call it in the transaction of the thing that the recording serves.

    Raises UploadRefused when it came in parts and a recording was made of it already.
    """
    if received.upload_id is not None:
        ending.use_up(received.upload_id)
    found = received.description
    return Recording.objects.create(
        id=received.upload_id or uuid.uuid4(),  # so that whoever asks again finds what was made of an upload
        sha256=received.sha256,
        size_bytes=received.size_bytes,
        storage_key=received.storage_key,
        original_name=received.original_name,
        owner=owner,  # type: ignore[misc]  # the class of members lives one floor up
        sealed_at=now,
        format=found.format,
        subtype=found.subtype,
        sample_rate_hz=found.sample_rate_hz,
        channels=found.channels,
        frames=found.frames,
    )


def let_go(received: Received) -> None:
    """Remove the bytes of an upload that is refused after all."""
    keeping.discard(received.storage_key)


@contextmanager
def or_let_go(received: Received) -> Iterator[None]:
    """One transaction in which an upload is used; where anything is raised in it, the upload's bytes go."""
    with transaction.atomic():
        try:
            yield
        except Exception:
            # Here the rollback is certain; once a commit has begun, a row may have these bytes.
            let_go(received)
            raise


@transaction.atomic
def forget(recording: Recording) -> bool:
    """Remove a recording that nothing refers to any more, with its measurements; its bytes after the commit.

    Call it in the transaction that stopped referring to it. False, and nothing is done, while something else
    still does, as a stem or an entry may.
    """
    # Locked, so that of two who stop referring to it at once the second sees that the first has.
    held = Recording.objects.select_for_update().filter(pk=recording.pk).first()
    if held is None:
        return False
    try:
        held.delete()
    except ProtectedError:
        return False
    transaction.on_commit(partial(keeping.discard, held.storage_key), robust=True)
    return True


def shown_name(name: str) -> str:
    """A file's name as a row and a page can hold it: no folders, nothing that cannot be printed."""
    return "".join(sign if sign.isprintable() else "\ufffd" for sign in Path(name).name)[-LONGEST_NAME:]


def too_large() -> str:
    """The sentence for a file larger than the site takes."""
    most = settings.LARGEST_UPLOAD_BYTES / 1024**2
    return (
        f"The file is larger than {most:.0f} MiB, the most that this site takes. "
        "Export it as FLAC and upload again."
    )
