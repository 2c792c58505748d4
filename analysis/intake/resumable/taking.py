"""Hand a finished upload to the room that wants to make something of it."""

from __future__ import annotations

from datetime import datetime
from http import HTTPStatus
from uuid import UUID

from django.contrib.auth.base_user import AbstractBaseUser
from django.db.models import Min
from django.utils import timezone

from analysis.audiofile import AudioError
from analysis.intake import sealing
from analysis.intake.models import Upload
from analysis.intake.resumable import ending, refusals, rows
from analysis.intake.resumable.places import place
from analysis.intake.resumable.refusals import UploadRefused
from analysis.intake.sealing import Received


def finished(upload_id: UUID, owner: AbstractBaseUser) -> Upload:
    """The owner's upload, whole; its `finished_at` is the server's clock at the last byte.

    Raises UploadRefused: 404 or 410 when it is not there, 409 while bytes are missing.
    """
    upload = rows.own(upload_id, owner, now=timezone.now())
    if upload.finished_at is None:
        missing_bytes = upload.size_bytes - upload.offset_bytes
        raise UploadRefused(
            HTTPStatus.CONFLICT,
            f"The file has not arrived whole: {missing_bytes} bytes are missing. Send them first.",
        )
    return upload


def earliest_begun(owner: AbstractBaseUser) -> datetime | None:
    """When the oldest upload that the owner has under way was opened; None with none under way."""
    begun = Upload.objects.filter(owner=owner.pk).aggregate(first=Min("opened_at"))
    first: datetime | None = begun["first"]
    return first


def take(upload_id: UUID, owner: AbstractBaseUser) -> Received:
    """Hash and probe a finished upload and put its bytes on the shelf. Slow: call it outside a transaction.

    `sealing.seal` then uses it up, once, in the transaction of the thing that it serves. Until then it stays
    whole, so that whoever dies in between can take it again.

    Raises UploadRefused as `finished` does, and 423 while another request has hold of it. Raises AudioError
    when it is not an acceptable WAV or FLAC; then it is thrown away, since it will never be one.
    """
    finished(upload_id, owner)
    try:
        with place().held(upload_id) as hold, hold.whole() as path:
            return sealing.receive_whole(
                path, name=hold.upload.original_name, keep=hold.keep, upload_id=upload_id
            )
    except AudioError:
        ending.throw_away(upload_id, owner=owner, now=timezone.now())
        raise
    except FileNotFoundError:  # used up by another request meanwhile
        raise refusals.not_there() from None
