"""Find the row of an upload, and move its committed offset. Nobody else writes either."""

from __future__ import annotations

from datetime import datetime, timedelta
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.contrib.auth.base_user import AbstractBaseUser

from analysis.intake.models import Upload
from analysis.intake.resumable import refusals
from analysis.intake.resumable.refusals import UploadRefused

REST = timedelta(hours=48)
"""How long an unfinished upload may rest between two bytes."""
UNCLAIMED = timedelta(days=7)
"""How long a whole one waits for its owner to make something of it."""


def expires_at(upload: Upload) -> datetime:
    """When the sweep may throw it away, unless another byte comes or somebody makes something of it."""
    return upload.last_byte_at + (UNCLAIMED if upload.finished_at else REST)


def find(upload_id: UUID) -> Upload:
    """The row as it is now. Raises UploadRefused 404."""
    upload = Upload.objects.filter(pk=upload_id).first()
    if upload is None:
        raise refusals.not_there()
    return upload


def own(upload_id: UUID, owner: AbstractBaseUser, *, now: datetime) -> Upload:
    """The owner's upload. Raises UploadRefused: 404 for anybody else, 410 when its time is over."""
    upload = find(upload_id)
    if upload.owner_id != owner.pk:
        raise refusals.not_there()
    if expires_at(upload) <= now:
        raise refusals.expired()
    return upload


def lost(upload: Upload) -> UploadRefused:
    """Forget an upload whose bytes are gone, so that its client begins anew. Returns what to raise."""
    Upload.objects.filter(pk=upload.pk).delete()
    return UploadRefused(
        HTTPStatus.GONE,
        "The first part of this upload was lost on the server; this is not your file’s fault. "
        "Send the file from its beginning.",
    )


def commit(upload: Upload, *, offset_bytes: int, notes: dict[str, Any], now: datetime) -> None:
    """Count bytes that are safe on disk, up to a new offset. `now` is the clock at the last of them.

    Compare-and-set: raises UploadRefused 409 when the offset or the lease is no longer what this request saw.
    """
    changes: dict[str, Any] = {"offset_bytes": offset_bytes, "notes": notes}
    if offset_bytes > upload.offset_bytes:
        changes["last_byte_at"] = now
        if offset_bytes == upload.size_bytes:
            changes["finished_at"] = now
    unchanged = Upload.objects.filter(
        pk=upload.pk, offset_bytes=upload.offset_bytes, lease_token=upload.lease_token
    )
    if not unchanged.update(**changes):
        raise refusals.overtaken()
    for name, value in changes.items():
        setattr(upload, name, value)
