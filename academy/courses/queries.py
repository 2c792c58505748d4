"""Reads about courses, with their joins."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Count, QuerySet

from academy.courses.access import courses_for
from academy.courses.models import Course, Lesson
from academy.members.access import Person, opens, rank_of


@dataclass(frozen=True)
class LessonLine:
    """One lesson as this person finds it."""

    lesson: Lesson
    number: int
    is_open: bool


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


def courses_listed(person: Person) -> QuerySet[Course]:
    """The courses that the person may see, by title, each with `lesson_count`."""
    return courses_for(person).annotate(lesson_count=Count("lessons")).order_by("title")


def outline_of(course: Course, person: Person, now: datetime) -> Outline:
    """The lessons in order, numbered from one, each open or locked to this person. Empty without lessons."""
    rank = rank_of(person, now)
    lessons = course.lessons.select_related("tier")
    return Outline(
        [
            LessonLine(lesson=lesson, number=number, is_open=opens(rank, lesson.tier))
            for number, lesson in enumerate(lessons, start=1)
        ]
    )
