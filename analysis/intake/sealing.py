"""Take in an upload: hash it, probe it in the sandbox, keep its bytes, and seal it as a recording."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from django.conf import settings
from django.contrib.auth.base_user import AbstractBaseUser

from analysis import audiofile
from analysis.audiofile import AudioDescription, AudioError
from analysis.intake import keeping
from analysis.intake.models import Recording

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
                raise AudioError("too_large", _too_large())
            digest.update(block)
            spool.write(block)
        spool.flush()
        description = audiofile.probe(Path(spool.name))
        key = keeping.keep(Path(spool.name))
    return Received(key, digest.hexdigest(), size_bytes, Path(name).name[-LONGEST_NAME:], description)


def receive_file(path: Path, *, name: str | None = None) -> Received:
    """The same for a file that is already on this machine. It is read, never changed."""
    with path.open("rb") as file:
        return receive(iter(lambda: file.read(BLOCK_BYTES), b""), name=name or path.name)


def seal(received: Received, *, owner: AbstractBaseUser | None, now: datetime) -> Recording:
    """Write the row. Call it in the transaction of the thing that the recording serves."""
    found = received.description
    return Recording.objects.create(
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


def _too_large() -> str:
    most = settings.LARGEST_UPLOAD_BYTES / 1024**2
    return (
        f"The file is larger than {most:.0f} MiB, the most that this site takes. "
        "Export it as FLAC and upload again."
    )
