"""Read kept recordings again and compare them with what was written down when they were sealed."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass

from analysis.intake import keeping
from analysis.intake.models import Recording

BLOCK_BYTES = 1 << 20


@dataclass(frozen=True)
class Rehashed:
    """One recording read again; `trouble` is empty when it is as it was."""

    recording: Recording
    trouble: str


def rehashed() -> Iterator[Rehashed]:
    """Every recording in the order of its sealing, read from first to last byte in constant memory."""
    for recording in Recording.objects.order_by("sealed_at", "pk").iterator(chunk_size=500):
        yield Rehashed(recording, _trouble(recording))


def _trouble(recording: Recording) -> str:
    digest, size_bytes = hashlib.sha256(), 0
    try:
        with keeping.opened(recording.storage_key) as file:
            while block := file.read(BLOCK_BYTES):
                digest.update(block)
                size_bytes += len(block)
    except OSError as exc:  # what a bucket's library raises for a missing object is one too
        return f"cannot be read: {exc.strerror or exc}"
    if size_bytes != recording.size_bytes:
        return f"holds {size_bytes} bytes and should hold {recording.size_bytes}"
    if digest.hexdigest() != recording.sha256:
        return "holds other bytes than were sealed"
    return ""
