"""What a course still needs before it is published, and what would do it good."""

from __future__ import annotations

from dataclasses import dataclass

from django.urls import reverse

from academy.courses import demonstrating, recordings
from academy.courses.chapters import ChaptersRefused, read_chapters
from academy.courses.models import Course, Lesson
from academy.packs.models import PackState


@dataclass(frozen=True)
class Point:
    """One line of the list. What is not needed is advice. `lesson` is where to put it right, if in one.

    `address` is where to put it right elsewhere, empty where that is the course's own desk.
    """

    words: str
    is_met: bool
    is_needed: bool = True
    lesson: Lesson | None = None
    address: str = ""


def checklist(course: Course) -> list[Point]:
    """Every point, in the order of the course. Lessons that are kept back are left out."""
    lessons = list(course.lessons.filter(is_kept_back=False).select_related("recording", "excerpt", "tier"))
    points = [
        Point(
            "It has a summary",
            bool(course.summary.strip()),
            address=reverse("courses:edit_course", args=[course.slug]),
        ),
        Point("It has a lesson that is not kept back", bool(lessons)),
    ]
    for lesson in lessons:
        points += _points_of(lesson)
    points.append(
        Point(
            "Something of it is free, so that a visitor hears what it is like",
            any(lesson.is_free or lesson.excerpt_id for lesson in lessons),
            is_needed=False,
        )
    )
    if course.pack is not None:
        is_out = course.pack.state == PackState.PUBLISHED
        desk = reverse("packs:hosting:desk", args=[course.pack.slug])
        points.append(
            Point(f"Its stem pack, {course.pack}, is published", is_out, is_needed=False, address=desk)
        )
    return points


def missing(points: list[Point]) -> list[Point]:
    """Those without which the course cannot be published. Empty when it can."""
    return [point for point in points if point.is_needed and not point.is_met]


def _points_of(lesson: Lesson) -> list[Point]:
    points = [
        Point(
            f"{lesson}: there is a text, a recording or a demo",
            bool(lesson.text.strip() or lesson.recording or lesson.demos.exists()),
            lesson=lesson,
        )
    ]
    if lesson.free_from_s is not None:
        is_cut = recordings.free_part_state(lesson) == "ready"
        points.append(Point(f"{lesson}: the free part is cut", is_cut, lesson=lesson))
    if lesson.recording is not None:
        points += _points_of_recording(lesson, lesson.recording.length_s)
    for demo in lesson.demos.select_related("plan"):
        is_ready = demonstrating.state_of(demo).word == "ready"
        points.append(Point(f"{lesson}: the demo {demo} can be heard", is_ready, lesson=lesson))
    return points


def _points_of_recording(lesson: Lesson, length_s: float) -> list[Point]:
    try:
        read_chapters(lesson.chapters, length_s=length_s)
        do_chapters_fit = True
    except ChaptersRefused:
        do_chapters_fit = False
    points = []
    if lesson.chapters:
        points.append(
            Point(f"{lesson}: the chapters lie within the recording", do_chapters_fit, lesson=lesson)
        )
    has_captions = lesson.captions.exists()
    points.append(
        Point(f"{lesson}: the recording has captions", has_captions, is_needed=False, lesson=lesson)
    )
    return points
