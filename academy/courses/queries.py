"""Reads about courses, with their joins."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Count, Max, Q, QuerySet

from academy.courses import free_part
from academy.courses.access import Viewer, courses_for, lessons_seen, viewer_of
from academy.courses.models import CaptionLine, Course, Lesson, Progress
from academy.members.models import Member

MOST_HITS = 50


@dataclass(frozen=True)
class LessonLine:
    """One lesson as this viewer finds it."""

    lesson: Lesson
    number: int
    is_open: bool
    progress: Progress | None

    @property
    def is_finished(self) -> bool:
        """Whether the viewer is through with it."""
        return self.progress is not None and self.progress.finished_at is not None

    @property
    def position_s(self) -> float:
        """Where the viewer stopped; zero for the beginning."""
        return self.progress.position_s if self.progress else 0.0

    @property
    def has_free_part(self) -> bool:
        """Whether a part of it is free though the whole is not."""
        return not self.lesson.is_free and free_part.is_there(self.lesson)


@dataclass(frozen=True)
class Outline:
    """A course's lessons in order."""

    lines: list[LessonLine]

    def line_of(self, slug: str) -> LessonLine | None:
        """The lesson under an address; None when the course has no such lesson."""
        return next((line for line in self.lines if line.lesson.slug == slug), None)

    def before(self, line: LessonLine) -> LessonLine | None:
        """The lesson before; None for the first."""
        return self.lines[line.number - 2] if line.number > 1 else None

    def after(self, line: LessonLine) -> LessonLine | None:
        """The lesson after; None for the last."""
        return self.lines[line.number] if line.number < len(self.lines) else None

    @property
    def finished_count(self) -> int:
        """How many lessons the viewer is through with."""
        return sum(line.is_finished for line in self.lines)

    @property
    def is_begun(self) -> bool:
        """Whether the viewer was in any of the lessons."""
        return any(line.progress for line in self.lines)

    @property
    def next_line(self) -> LessonLine | None:
        """Where to go on: the open lesson left last, else the first one open and not finished."""
        left = [line for line in self.lines if line.is_open and not line.is_finished]
        begun = [line for line in left if line.progress and line.position_s > 0]
        if begun:
            return max(begun, key=lambda line: line.progress.seen_at)  # type: ignore[union-attr]  # begun
        return left[0] if left else None


@dataclass(frozen=True)
class CourseInProgress:
    """A course that a member has begun."""

    course: Course
    outline: Outline


def courses_listed(viewer: Viewer) -> QuerySet[Course]:
    """The courses that the viewer may see, by title, each with `lesson_count`."""
    seen = Q() if viewer.is_host else Q(lessons__is_kept_back=False)
    return courses_for(viewer).annotate(lesson_count=Count("lessons", filter=seen)).order_by("title")


def outline_of(course: Course, viewer: Viewer) -> Outline:
    """The lessons in order, numbered from one, each open or locked to this viewer. Empty without lessons."""
    lessons = course.lessons.filter(lessons_seen(viewer)).select_related("tier")
    kept: dict[int, Progress] = {}
    if viewer.follower:
        mine = Progress.objects.filter(member=viewer.follower, lesson__course=course)
        kept = {one.lesson_id: one for one in mine}
    return Outline(
        [
            LessonLine(lesson, number, viewer.may_follow(lesson), kept.get(lesson.pk))
            for number, lesson in enumerate(lessons, start=1)
        ]
    )


def in_progress(member: Member, now: datetime, *, most: int) -> list[CourseInProgress]:
    """The courses that the member has begun and may see, the latest first, at most so many."""
    viewer = viewer_of(member, now)
    mine = Progress.objects.filter(member=member, lesson__course__in=courses_for(viewer))
    latest = mine.values("lesson__course").annotate(at=Max("seen_at")).order_by("-at")[:most]
    courses = Course.objects.in_bulk([row["lesson__course"] for row in latest])
    return [
        CourseInProgress(courses[row["lesson__course"]], outline_of(courses[row["lesson__course"]], viewer))
        for row in latest
    ]


def words_heard(course: Course, viewer: Viewer, wanted: str) -> list[CaptionLine]:
    """The caption lines with every one of the words, in the lessons that the viewer may follow.

    In the order of the course, at most fifty. None for no word.
    """
    words = wanted.split()
    if not words:
        return []
    open_lessons = [line.lesson.pk for line in outline_of(course, viewer).lines if line.is_open]
    lines = CaptionLine.objects.filter(captions__lesson__in=open_lessons)
    for word in words:
        lines = lines.filter(words__icontains=word)
    in_order = lines.order_by("captions__lesson__position", "start_ms")
    return list(in_order.select_related("captions__lesson")[:MOST_HITS])
