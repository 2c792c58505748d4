"""Put captions to a lesson's recording, and take them away."""

from __future__ import annotations

import re

from django.db import transaction

from academy.courses import webvtt
from academy.courses.models import CaptionLine, Captions, Lesson
from academy.courses.webvtt import CaptionsRefused
from academy.templatetags.audio_text import duration

LARGEST_BYTES = 2 * 1024 * 1024
LANGUAGE_TAG = re.compile(r"[A-Za-z]{2,8}(-[A-Za-z0-9]{1,8})*")  # RFC 5646, its plain shape


def set_captions(lesson: Lesson, raw: bytes, *, language: str) -> Captions:
    """Keep the captions of one language, in place of earlier ones, with their words ready to be searched.

    Raises CaptionsRefused, with the earlier ones left as they are, for a file that breaks the grammar of
    WebVTT, is larger than 2 MiB, or has a cue past the end of the recording.
    """
    if len(raw) > LARGEST_BYTES:
        raise CaptionsRefused(
            [f"The file is larger than {LARGEST_BYTES // 1024**2} MiB. Captions are small."]
        )
    if not LANGUAGE_TAG.fullmatch(language):
        raise CaptionsRefused([f"“{language[:30]}” is no language tag. Write one like en or pt-BR."])
    found = webvtt.read(raw)
    if lesson.recording is not None and found.cues[-1].start_ms > lesson.recording.length_s * 1000:
        raise CaptionsRefused(
            [
                f"The last cue begins at {duration(found.cues[-1].start_ms / 1000)}, but the recording is "
                f"{duration(lesson.recording.length_s)} long. Is this the right file?"
            ]
        )
    with transaction.atomic():
        remove_captions(lesson, language)
        captions = Captions.objects.create(
            lesson=lesson, language=language, text=raw.decode("utf-8-sig").replace("\r\n", "\n")
        )
        CaptionLine.objects.bulk_create(
            CaptionLine(captions=captions, start_ms=cue.start_ms, end_ms=cue.end_ms, words=cue.words)
            for cue in found.cues
            if cue.words
        )
    return captions


def remove_captions(lesson: Lesson, language: str) -> None:
    """Take the captions of one language away; nothing happens where there are none."""
    lesson.captions.filter(language=language).delete()
