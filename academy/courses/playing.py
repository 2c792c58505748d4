"""What a lesson's player is given: the whole recording, or its free part with every time moved to match."""

from __future__ import annotations

from dataclasses import dataclass

from django.urls import reverse
from django.utils.translation import get_language_info

from academy.courses import webvtt
from academy.courses.chapters import Chapter, read_chapters
from academy.courses.models import CaptionLine, Captions, Lesson, MediaFile


@dataclass(frozen=True)
class Track:
    """Captions in one language, as the player offers them."""

    address: str
    language: str
    label: str


@dataclass(frozen=True)
class Line:
    """One line of the transcript, at its time in what is played."""

    start_s: float
    words: str


@dataclass(frozen=True)
class Player:
    """A recording, or the free part of one, with all that goes by its times."""

    media: MediaFile
    address: str
    starts_at_s: float
    is_free_part: bool
    chapters: list[Chapter]
    tracks: list[Track]
    transcript: list[Line]


def player_of(lesson: Lesson, *, is_open: bool, at_s: float = 0.0) -> Player | None:
    """The player of a lesson, set to begin at `at_s`. None when there is nothing that the viewer may hear."""
    media = lesson.recording if is_open else lesson.excerpt
    if media is None:
        return None
    where = [lesson.course.slug, lesson.slug]
    from_s, until_s = part_played(lesson, is_open=is_open)
    captions = list(lesson.captions.all())
    return Player(
        media=media,
        address=reverse("courses:recording" if is_open else "courses:free_part", args=where),
        starts_at_s=at_s if 0 < at_s < media.length_s else 0.0,
        is_free_part=not is_open,
        chapters=[
            Chapter(chapter.start_s - from_s, chapter.title)
            for chapter in read_chapters(lesson.chapters)
            if from_s <= chapter.start_s < until_s
        ],
        tracks=[
            Track(reverse("courses:captions", args=[*where, one.language]), one.language, named(one.language))
            for one in captions
        ],
        transcript=_transcript(captions[0], from_s, until_s) if captions else [],
    )


def captions_text(captions: Captions, *, is_open: bool) -> str:
    """A caption file as the viewer may have it: whole, or the cues of the free part only."""
    if is_open:
        return captions.text
    from_s, until_s = part_played(captions.lesson, is_open=False)
    found = webvtt.read(captions.text.encode())
    return webvtt.part_of(found, from_ms=round(from_s * 1000), until_ms=round(until_s * 1000))


def part_played(lesson: Lesson, *, is_open: bool) -> tuple[float, float]:
    """From where to where in the recording, in seconds; nothing, (0, 0), without a free part."""
    if is_open:
        return 0.0, float("inf")
    return lesson.free_from_s or 0.0, lesson.free_until_s or 0.0


def named(language: str) -> str:
    """A language by its own name, or its tag where there is none here."""
    try:
        return str(get_language_info(language)["name_local"]).capitalize()
    except KeyError:
        return language


def _transcript(captions: Captions, from_s: float, until_s: float) -> list[Line]:
    lines = CaptionLine.objects.filter(captions=captions, end_ms__gt=from_s * 1000)
    return [
        Line(max(0.0, line.start_ms / 1000 - from_s), line.words)
        for line in lines
        if line.start_ms < until_s * 1000
    ]
