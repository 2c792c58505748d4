"""Attach a file to a lesson: a PDF, a text or a ZIP, told by its bytes."""

from __future__ import annotations

import codecs
import hashlib
import os
import zipfile
from datetime import datetime
from functools import partial
from pathlib import Path

from django.db import transaction

from academy.courses.models import Attachment, Lesson
from academy.courses.refusals import CourseRefused
from analysis.intake import keeping

LARGEST_BYTES = 100 * 1024 * 1024
MOST_OF_A_LESSON = 20
BLOCK_BYTES = 1024 * 1024
PDF, ZIP, TEXT = "application/pdf", "application/zip", "text/plain; charset=utf-8"
_ENDINGS = {PDF: ".pdf", ZIP: ".zip", TEXT: ".txt"}


def attach(lesson: Lesson, path: Path, *, name: str, title: str, now: datetime) -> Attachment:
    """Keep a file of this machine as an attachment; it is saved under its own name with the right ending.

    Raises CourseRefused, with nothing kept, when it is none of the three kinds, damaged, empty, or too large.
    """
    if lesson.attachments.count() >= MOST_OF_A_LESSON:
        raise CourseRefused(f"A lesson has {MOST_OF_A_LESSON} attachments at most. Put some into one ZIP.")
    size_bytes = path.stat().st_size
    if size_bytes == 0:
        raise CourseRefused("The file is empty. Save it again.")
    if size_bytes > LARGEST_BYTES:
        raise CourseRefused(
            f"The file is larger than {LARGEST_BYTES // 1024**2} MiB, the most for an attachment."
        )
    content_type = _content_type(path)
    with path.open("rb") as file:
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    return Attachment.objects.create(
        lesson=lesson,
        title=title,
        storage_key=keeping.keep(path),
        sha256=sha256,
        size_bytes=size_bytes,
        original_name=(Path(name).stem[:200] or "attachment") + _ENDINGS[content_type],
        content_type=content_type,
        kept_at=now,
    )


@transaction.atomic
def detach(attachment: Attachment) -> None:
    """Take an attachment away, bytes and all."""
    attachment.delete()
    transaction.on_commit(partial(keeping.discard, attachment.storage_key), robust=True)


def _content_type(path: Path) -> str:
    with path.open("rb") as file:
        start = file.read(8)
        file.seek(max(0, path.stat().st_size - 2048), os.SEEK_SET)
        end = file.read()
    if start.startswith(b"%PDF-"):  # ISO 32000-1, clause 7.5: header, and %%EOF at the end
        if b"%%EOF" not in end:
            raise CourseRefused("This PDF was cut off: its end is missing. Export it again.")
        return PDF
    if start.startswith((b"PK\3\4", b"PK\5\6")):
        try:
            zipfile.ZipFile(path).close()
        except zipfile.BadZipFile:
            raise CourseRefused("This ZIP is damaged: its table of contents cannot be read.") from None
        return ZIP
    if _is_text(path):
        return TEXT
    raise CourseRefused(
        "An attachment is a PDF, a plain text in UTF-8, or a ZIP. Put other files into a ZIP."
    )


def _is_text(path: Path) -> bool:
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        with path.open("rb") as file:
            while block := file.read(BLOCK_BYTES):
                if "\0" in decoder.decode(block):
                    return False
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True
