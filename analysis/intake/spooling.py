"""Spool an uploaded file to disk in blocks, and refuse a body that is too large before it fills the disk."""

from __future__ import annotations

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
