"""Spool an uploaded file to disk in blocks, and refuse a body that is too large before it fills the disk.

And clear away what processes that were killed left in the folder of such files.
"""

from __future__ import annotations

import shutil
import tempfile
import time
from datetime import timedelta
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.exceptions import RequestDataTooBig
from django.core.files.uploadhandler import TemporaryFileUploadHandler

FORM_BYTES = 1024 * 1024  # what the form's other fields and the multipart borders may add


class SpoolToDisk(TemporaryFileUploadHandler):
    """Never whole through memory; the largest upload is the site's own limit."""

    def handle_raw_input(
        self,
        input_data: Any,
        META: Any,  # noqa: N803  Django's name for it
        content_length: int,
        *args: Any,
    ) -> None:
        """Refuse by the announced length. Raises RequestDataTooBig, which Django answers with 413 or 400."""
        if content_length > settings.LARGEST_UPLOAD_BYTES + FORM_BYTES:
            raise RequestDataTooBig("larger than the site takes")
        super().handle_raw_input(input_data, META, content_length, *args)


def sweep_left(*, older_than: timedelta) -> int:
    """Remove temporary files and folders of this machine that rested for so long. Returns how many.

    Whoever makes one removes it, but for a process that is killed: by the last time limit, or for want of
    memory. What lies there may be somebody's mix, and as large as an upload.
    """
    before = time.time() - older_than.total_seconds()
    removed = 0
    for path in settings.INCOMING_DIR.glob(f"{tempfile.gettempprefix()}*"):
        try:
            is_old = _last_changed(path) < before
        except FileNotFoundError:  # its maker is at work and has just removed it, or something in it
            continue
        if is_old:
            if path.is_dir():
                shutil.rmtree(path, ignore_errors=True)
            else:
                path.unlink(missing_ok=True)
            removed += 1
    return removed


def _last_changed(path: Path) -> float:
    """When a file, or anything in a folder, was last written; seconds since 1970."""
    return max(one.stat().st_mtime for one in (path, *path.rglob("*")))
