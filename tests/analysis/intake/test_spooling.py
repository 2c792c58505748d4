"""An upload goes to disk, and one that is too large is refused by its announced length."""

from __future__ import annotations

import io

import pytest
from django.core.exceptions import RequestDataTooBig
from django.core.files.uploadedfile import TemporaryUploadedFile
from django.test import RequestFactory

from analysis.intake.spooling import FORM_BYTES


def posted(size: int):
    """The files of a request that uploads `size` bytes."""
    upload = io.BytesIO(bytes(size))
    upload.name = "mix.wav"
    return RequestFactory().post("/", {"file": upload}).FILES


def test_a_small_upload_is_spooled_to_disk():
    found = posted(100)["file"]
    assert isinstance(found, TemporaryUploadedFile)
    assert found.size == 100
    found.close()


def test_a_body_beyond_the_limit_is_not_read(settings):
    settings.LARGEST_UPLOAD_BYTES = 1000
    with pytest.raises(RequestDataTooBig):
        posted(1000 + FORM_BYTES)
