"""Publish a course, now or at a time, and take it back."""

from __future__ import annotations

from datetime import datetime

from academy.courses.checklist import checklist, missing
from academy.courses.models import Course
from academy.courses.refusals import CourseRefused


def publish(course: Course, *, now: datetime) -> None:
    """Let everybody see the course from now on. Raises CourseRefused while something needed is missing."""
    _refuse_unfinished(course)
    _set(course, now)


def schedule(course: Course, *, at: datetime, now: datetime) -> None:
    """Let the course appear by itself at a time. Raises CourseRefused for a past one, and as `publish`."""
    if at <= now:
        raise CourseRefused("That time is over. Choose a later one, or publish the course now.")
    _refuse_unfinished(course)
    _set(course, at)


def take_back(course: Course) -> None:
    """Make it a draft again. Everybody's progress is kept for when it comes back."""
    _set(course, None)


def _set(course: Course, publish_at: datetime | None) -> None:
    course.publish_at = publish_at
    course.save(update_fields=["publish_at"])


def _refuse_unfinished(course: Course) -> None:
    words = [point.words for point in missing(checklist(course))]
    if words:
        raise CourseRefused("Not yet. This is still to be done: " + "; ".join(words) + ".")
