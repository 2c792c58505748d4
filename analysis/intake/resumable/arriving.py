"""A file that came whole, by an ordinary form, put where those that come in parts arrive."""

from __future__ import annotations

import base64
from collections.abc import Iterable
from datetime import datetime
from uuid import UUID

from django.contrib.auth.base_user import AbstractBaseUser

from analysis.intake.resumable import appending, ending, opening
from analysis.intake.resumable.refusals import UploadRefused


def put_whole(
    blocks: Iterable[bytes], *, name: str, size_bytes: int, owner: AbstractBaseUser, now: datetime
) -> UUID:
    """Make a finished upload of these bytes, for what takes uploads only. Its id.

    Raises UploadRefused as `opening.open_upload` and `appending.append` do, with nothing left behind.
    """
    metadata = f"filename {base64.b64encode(name.encode()).decode()}"
    upload = opening.open_upload(owner=owner, size_bytes=size_bytes, metadata=metadata, now=now)
    try:
        appending.append(upload.pk, owner=owner, offset_bytes=0, announced_bytes=size_bytes, blocks=blocks)
    except UploadRefused:
        ending.throw_away(upload.pk, owner=owner, now=now)
        raise
    return upload.pk
