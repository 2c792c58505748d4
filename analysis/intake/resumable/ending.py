"""The ends of an upload: thrown away by its owner, used up by what was made of it, or swept."""

from __future__ import annotations

from datetime import datetime
from functools import partial
from http import HTTPStatus
from uuid import UUID

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from analysis.intake import spooling
from analysis.intake.models import Upload
from analysis.intake.resumable import rows
from analysis.intake.resumable.places import place
from analysis.intake.resumable.refusals import UploadRefused


def throw_away(upload_id: UUID, *, owner: AbstractBaseUser, now: datetime) -> None:
    """Remove an upload at its owner's wish. Raises UploadRefused: 404 or 410, 423 while it is written to."""
    rows.own(upload_id, owner, now=now)
    with place().held(upload_id) as hold:
        _remove(hold.upload)


def use_up(upload_id: UUID) -> None:
    """Remove an upload that became a recording. Call it in the transaction that writes the recording.

    Of any number of callers one succeeds. Raises UploadRefused 409 for the others.
    """
    upload = Upload.objects.filter(pk=upload_id).first()
    if upload is None or not Upload.objects.filter(pk=upload_id).delete()[0]:
        raise UploadRefused(HTTPStatus.CONFLICT, "Something was made of this upload already.")
    # The recording stands whatever becomes of this; the sweep finds what is left.
    transaction.on_commit(partial(place().discard, upload), robust=True)


def sweep(now: datetime) -> int:
    """Remove what rested for too long, bytes without a row, and what killed processes left on this machine.

    Returns how many went. One that another request has hold of is left to the next sweep.
    """
    removed = 0
    where = place()
    for upload_id in Upload.objects.filter(last_byte_at__lte=now - rows.REST).values_list("pk", flat=True):
        try:
            with where.held(upload_id) as hold:
                if rows.expires_at(hold.upload) <= now:
                    _remove(hold.upload)
                    removed += 1
        except UploadRefused:
            continue
    return removed + where.sweep_strays(older_than=rows.REST) + spooling.sweep_left(older_than=rows.REST)


def _remove(upload: Upload) -> None:
    """The row first: bytes without a row are swept, but a row without bytes would be a false promise."""
    Upload.objects.filter(pk=upload.pk).delete()
    place().discard(upload)
