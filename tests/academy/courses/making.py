"""Courses for the tests, made by the room's own services."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from academy.courses import authoring, recordings
from academy.courses.authoring import LessonText
from academy.courses.models import Course, Lesson
from academy.members.models import Tier
from tests import cast

CAPTIONS = b"""WEBVTT

00:00.500 --> 00:02.500
This is the raw voice.

00:03.000 --> 00:05.500
<v Odile>Now the compressor</v>
"""


def course(**fields: object) -> Course:
    """A course that is published, at /courses/harbour/."""
    made = authoring.create_course(title="Harbour", summary="A summary.")
    Course.objects.filter(pk=made.pk).update(**{"publish_at": cast.NOW} | fields)
    made.refresh_from_db()
    return made


def lesson(of: Course, title: str = "Voice", *, tier: Tier | None = None, **written: object) -> Lesson:
    """A lesson with a text, at the end of the course."""
    text = {"summary": "In short.", "text": "Free.\n\n[free until here]\n\nSecret."} | written
    return authoring.create_lesson(of, LessonText(title=title, tier=tier, **text))  # type: ignore[arg-type]


def noise(seconds: float, *, rate_hz: int = 48_000) -> NDArray[np.int32]:
    """Repeatable 16-bit noise at the top of 32 bits, shape (n_frames, 2): each sample tells its place."""
    samples = np.random.default_rng(7).integers(-(2**15), 2**15, (round(seconds * rate_hz), 2))
    return (samples << 16).astype(np.int32)


def record(of: Lesson, folder: Path, *, seconds: float = 6.0, name: str = "voice.wav") -> NDArray[np.int32]:
    """Give a lesson a recording of noise, a WAV unless the name says another thing; its samples."""
    samples = noise(seconds)
    soundfile.write(folder / name, samples, 48_000, subtype="PCM_16")
    recordings.set_recording(of, recordings.receive(folder / name, name=name), now=cast.NOW)
    return samples
