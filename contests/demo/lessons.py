"""What plays in the lessons: recordings with chapters, captions and a free part, papers, recall sheets."""

from __future__ import annotations

import tempfile
from datetime import datetime, timedelta
from pathlib import Path

from academy.courses import attaching, authoring, captioning, following, recordings
from academy.courses.chapters import read_chapters, written
from academy.courses.models import Course, Lesson
from academy.members.models import Member
from academy.recall.models import RecallSheet
from analysis import audiofile
from contests.demo.rendering import DemoAudio
from fixtures.lessons import MATERIALS, Material

STOPPED_AT_S = 31.0  # in the first chorus


def fill_lessons(course: Course, audio: DemoAudio, *, now: datetime) -> None:
    """Give each lesson of the course its material, as a host would."""
    with tempfile.TemporaryDirectory() as folder:
        for material in MATERIALS:
            _fill(course.lessons.get(slug=material.lesson), material, audio, Path(folder), now)


def follow_lessons(course: Course, member: Member, *, now: datetime) -> None:
    """Let a member be through with the first lesson and in the middle of the second."""
    first, second = course.lessons.all()[:2]
    following.set_finished(member, first, is_finished=True, now=now - timedelta(days=3))
    following.keep_position(member, second, position_s=STOPPED_AT_S, now=now - timedelta(days=1))


def _fill(lesson: Lesson, material: Material, audio: DemoAudio, folder: Path, now: datetime) -> None:
    mix = audio.side(*material.plays)
    described = audiofile.describe(mix)
    played = folder / f"{lesson.slug}.flac"  # half as large to send as the WAV
    audiofile.write_flac(
        played, audiofile.read_blocks(mix), rate_hz=described.sample_rate_hz, channels=described.channels
    )
    recordings.set_recording(lesson, recordings.receive(played, name=played.name), now=now)
    if material.free_s is not None:
        from_s, until_s = material.free_s
        recordings.set_free_part(lesson, from_s=from_s, until_s=until_s)
    lesson.chapters = written(read_chapters(material.chapters))
    lesson.save(update_fields=["chapters"])
    captioning.set_captions(lesson, material.captions.encode(), language="en")
    paper = folder / f"{lesson.slug}.txt"
    paper.write_text(material.paper)
    attaching.attach(lesson, paper, name=paper.name, title=material.paper_title, now=now)
    authoring.show_sheets(lesson, RecallSheet.objects.filter(title__in=material.sheets))
