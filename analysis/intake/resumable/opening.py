"""Begin an upload, if there is room for it and its owner has not too many under way."""

from __future__ import annotations

import shutil
from datetime import datetime
from http import HTTPStatus

from django.conf import settings
from django.contrib.auth import get_user_model
from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction
from django.db.models import F, Sum

from analysis.intake import sealing
from analysis.intake.models import Upload
from analysis.intake.resumable import headers, refusals
from analysis.intake.resumable.places import place
from analysis.intake.resumable.refusals import UploadRefused
from analysis.jobs.health import LEAST_FREE_BYTES

MOST_AT_ONCE = 3
"""Uploads of one member that nothing was made of yet."""


def open_upload(*, owner: AbstractBaseUser, size_bytes: int, metadata: str, now: datetime) -> Upload:
    """Write the row of a new upload and make a place for its bytes. One of no bytes is finished at once.

    Raises UploadRefused: 400 for unreadable metadata, 413 for a file larger than the site takes or than the
    member has room for, 429 for one upload too many, 507 when the disk would get too full.
    """
    name = headers.file_name(headers.metadata(metadata))
    if size_bytes > settings.LARGEST_UPLOAD_BYTES:
        raise UploadRefused(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, sealing.too_large())
    where = place()
    with transaction.atomic():
        # The member's row first, so that two requests of one member count one after the other.
        get_user_model()._default_manager.select_for_update().get(pk=owner.pk)
        _refuse_too_many(owner, size_bytes)
        if where.needs_disk:
            _refuse_full_disk(size_bytes)
        upload = Upload(
            owner_id=owner.pk,
            original_name=name,
            metadata=metadata,
            size_bytes=size_bytes,
            opened_at=now,
            last_byte_at=now,
            finished_at=None if size_bytes else now,
        )
        where.begin(upload)
        upload.save(force_insert=True)
    return upload


def _refuse_too_many(owner: AbstractBaseUser, size_bytes: int) -> None:
    under_way = Upload.objects.filter(owner_id=owner.pk)
    if under_way.count() >= MOST_AT_ONCE:
        raise UploadRefused(
            HTTPStatus.TOO_MANY_REQUESTS,
            f"{MOST_AT_ONCE} uploads of yours are under way already. "
            "Finish one of them or throw it away first.",
        )
    taken_bytes = under_way.aggregate(sum=Sum("size_bytes"))["sum"] or 0
    if taken_bytes + size_bytes > settings.MEMBER_UPLOAD_BYTES:
        raise UploadRefused(
            HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
            f"With this file your uploads under way would take more than "
            f"{settings.MEMBER_UPLOAD_BYTES / 1024**2:.0f} MiB together. "
            "Finish one of them or throw it away first.",
        )


def _refuse_full_disk(size_bytes: int) -> None:
    """What was promised to others and has not come yet counts as taken."""
    promised = Upload.objects.aggregate(sum=Sum(F("size_bytes") - F("offset_bytes")))["sum"] or 0
    free_bytes = shutil.disk_usage(settings.INCOMING_DIR).free
    if free_bytes - promised - size_bytes < LEAST_FREE_BYTES:
        raise refusals.no_room()
