"""An upload goes to disk, and one that is too large is refused by its announced length."""

from __future__ import annotations

import io
import os
import tempfile
import time
from datetime import timedelta
from pathlib import Path

import pytest
from django.conf import settings
from django.core.exceptions import RequestDataTooBig
from django.core.files.uploadedfile import TemporaryUploadedFile
from django.test import RequestFactory
from django.utils import timezone

from analysis.intake import spooling
from analysis.intake.resumable import ending
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


class TestWhatKilledProcessesLeft:
    def left(self, *, hours_ago: float) -> list[Path]:
        """A file and a folder with a file, as the library makes them, last written so long ago."""
        folder = Path(tempfile.mkdtemp(dir=settings.INCOMING_DIR))
        descriptor, name = tempfile.mkstemp(dir=settings.INCOMING_DIR, suffix=".upload.wav")
        os.close(descriptor)
        (folder / "00000.flac").write_bytes(b"a mix")
        for path in (folder / "00000.flac", folder, Path(name)):
            os.utime(path, (time.time() - hours_ago * 3600,) * 2)
        return [folder, Path(name)]

    @pytest.mark.django_db
    def test_the_sweep_removes_it_once_nobody_can_be_at_work_on_it(self):
        old, young = self.left(hours_ago=48.1), self.left(hours_ago=47.9)
        assert ending.sweep(timezone.now()) == 2
        assert [path.exists() for path in (*old, *young)] == [False, False, True, True]

    def test_a_folder_in_which_something_is_still_written_stays(self):
        folder, _ = self.left(hours_ago=100)
        (folder / "00001.flac").write_bytes(b"its next part")
        os.utime(folder, (0, 0))
        spooling.sweep_left(older_than=timedelta(hours=48))
        assert folder.exists()

    def test_what_is_no_temporary_file_is_left_alone(self):
        kept = settings.INCOMING_DIR / "resumable-of-old"
        kept.mkdir()
        os.utime(kept, (0, 0))
        spooling.sweep_left(older_than=timedelta(hours=48))
        assert kept.exists()
        kept.rmdir()
