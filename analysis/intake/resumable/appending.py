"""Take the next bytes of an upload: lock, compare, write, make durable, commit."""

from __future__ import annotations

import errno
from collections.abc import Iterable
from datetime import datetime
from http import HTTPStatus
from uuid import UUID

from django.contrib.auth.base_user import AbstractBaseUser
from django.utils import timezone

from analysis.intake.models import Upload
from analysis.intake.resumable import refusals, rows
from analysis.intake.resumable.headers import Checksum
from analysis.intake.resumable.places import Hold, place
from analysis.intake.resumable.refusals import CHECKSUM_MISMATCH, UploadRefused

COMMIT_EVERY_BYTES = 8 * 1024**2
"""What a killed server can cost at most, of a chunk that came without a checksum."""
FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}


def append(
    upload_id: UUID,
    *,
    owner: AbstractBaseUser,
    offset_bytes: int,
    announced_bytes: int,
    blocks: Iterable[bytes],
    checksum: Checksum | None = None,
) -> Upload:
    """Write `blocks` after the committed offset, and return the upload as it stands then.

    The blocks may end before `announced_bytes`: the line broke. Then what came is kept, except under a
    checksum, which only the whole chunk can meet.

    Raises UploadRefused: 404 and 410 when it is not there, 423 while another request writes, 409 when
    `offset_bytes` is not where it stands, 413 past the announced size, 460 for another checksum, 507 when the
    disk is full. After a refusal the upload stands where it last committed.
    """
    rows.own(upload_id, owner, now=timezone.now())
    with place().held(upload_id) as hold:
        upload = hold.upload
        # Compared only now: before the lock was there, another request might still have moved it.
        if offset_bytes != upload.offset_bytes:
            raise UploadRefused(
                HTTPStatus.CONFLICT,
                f"This upload stands at byte {upload.offset_bytes}, not {offset_bytes}. Go on from there.",
            )
        if offset_bytes + announced_bytes > upload.size_bytes:
            raise UploadRefused(
                HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
                f"This upload was announced with {upload.size_bytes} bytes; these would be more.",
            )
        try:
            if checksum is None:
                _write(hold, blocks)
            else:
                _write_checked(hold, blocks, checksum)
        except OSError as exc:
            if exc.errno in FULL:
                raise refusals.no_room() from exc
            raise
        return upload


def _write(hold: Hold, blocks: Iterable[bytes]) -> None:
    now = timezone.now()
    written_bytes = hold.upload.offset_bytes
    uncommitted_bytes = 0
    for block in blocks:
        now = timezone.now()
        hold.write(block)
        written_bytes += len(block)
        uncommitted_bytes += len(block)
        if uncommitted_bytes >= COMMIT_EVERY_BYTES:
            _commit(hold, is_end=False, now=now)
            uncommitted_bytes = 0
    # Even where a stretch was settled just now, its last bytes need not have been durable without an end.
    if hold.upload.offset_bytes < written_bytes:
        _commit(hold, is_end=True, now=now)


def _write_checked(hold: Hold, blocks: Iterable[bytes], checksum: Checksum) -> None:
    now = timezone.now()
    digest = checksum.begin()
    for block in blocks:
        now = timezone.now()
        hold.write(block)
        digest.update(block)
    if digest.digest() != checksum.wanted:
        hold.drop()
        raise UploadRefused(
            CHECKSUM_MISMATCH, "These bytes changed on their way. Send them once more from the same place."
        )
    _commit(hold, is_end=True, now=now)


def _commit(hold: Hold, *, is_end: bool, now: datetime) -> None:
    offset_bytes, notes = hold.settle(is_end=is_end)
    rows.commit(hold.upload, offset_bytes=offset_bytes, notes=notes, now=now)
