"""Write a course: make it, change it, put lessons in, order them, take them out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone
from django.utils.text import slugify

from academy.courses import attaching, demonstrating, recordings
from academy.courses.models import Course, CourseState, Lesson
from academy.courses.refusals import CourseRefused
from academy.members.models import Tier
from academy.packs.models import StemPack
from academy.recall.models import RecallSheet

LONGEST_SLUG = 50
RESERVED = {"hosting", "demos"}  # the room's own addresses
RESERVED_IN_COURSE = {"search"}
MOST_LESSONS = 200


@dataclass(frozen=True)
class LessonText:
    """What a host writes of a lesson. Without a tier it is for members, or for everybody."""

    title: str
    summary: str = ""
    text: str = ""
    tier: Tier | None = None
    is_for_members: bool = False
    is_kept_back: bool = False


@transaction.atomic
def create_course(*, title: str, summary: str = "", pack: StemPack | None = None) -> Course:
    """A draft at an address made of its title. Raises CourseRefused for a title without a letter."""
    slug = _free_slug(title, Course.objects.all(), RESERVED)
    return Course.objects.create(slug=slug, title=title, summary=summary, pack=pack)


def change_course(course: Course, *, title: str, summary: str, pack: StemPack | None) -> None:
    """Change what a course says of itself. Its address stays."""
    course.title, course.summary, course.pack = title, summary, pack
    course.save(update_fields=["title", "summary", "pack"])


@transaction.atomic
def remove_course(course: Course) -> None:
    """Remove a draft with all its lessons. Raises CourseRefused for one that is scheduled or published."""
    course = _locked(course)
    if course.state(timezone.now()) != CourseState.DRAFT:
        raise CourseRefused("Only a draft can be removed. Take the course back to a draft first.")
    for lesson in course.lessons.all():
        _remove(lesson)
    course.delete()


@transaction.atomic
def create_lesson(course: Course, written: LessonText) -> Lesson:
    """A lesson after the last one, at an address made of its title. Raises CourseRefused for one too many."""
    course = _locked(course)
    lessons = course.lessons.all()
    if lessons.count() >= MOST_LESSONS:
        raise CourseRefused(f"A course holds {MOST_LESSONS} lessons at most. Begin another one.")
    last = lessons.last()
    return Lesson.objects.create(
        course=course,
        position=last.position + 1 if last else 1,
        slug=_free_slug(written.title, lessons, RESERVED_IN_COURSE),
        **vars(written),
    )


def change_lesson(lesson: Lesson, written: LessonText) -> None:
    """Change what a lesson says and to whom it is open. Its address stays."""
    for name, value in vars(written).items():
        setattr(lesson, name, value)
    lesson.save(update_fields=list(vars(written)))


def show_sheets(lesson: Lesson, sheets: Iterable[RecallSheet]) -> None:
    """Let the lesson show these recall sheets and no others; it then decides who reads them there."""
    lesson.sheets.set(sheets)


@transaction.atomic
def move_lesson(lesson: Lesson, *, by: int) -> None:
    """Move a lesson up (-1) or down (1) in its course. Nothing happens at either end."""
    course = _locked(lesson.course)
    placed = list(course.lessons.values_list("pk", "position"))
    order = [pk for pk, _ in placed]
    if lesson.pk not in order:  # another host removed it meanwhile
        return
    here = order.index(lesson.pk)
    there = here + by
    if not 0 <= there < len(order):
        return
    order[here], order[there] = order[there], order[here]
    # One lesson a position holds at every statement, so all go far beyond the last one first.
    beyond = placed[-1][1] + len(order) + 1
    for start in (beyond, 1):
        for position, pk in enumerate(order, start=start):
            Lesson.objects.filter(pk=pk).update(position=position)


@transaction.atomic
def remove_lesson(lesson: Lesson) -> None:
    """Remove a lesson with its recording, captions, demos, attachments, and everybody's progress in it."""
    _locked(lesson.course)
    _remove(lesson)


def _locked(course: Course) -> Course:
    return Course.objects.select_for_update().get(pk=course.pk)


def _remove(lesson: Lesson) -> None:
    for attachment in lesson.attachments.all():
        attaching.detach(attachment)
    for demo in lesson.demos.all():
        demonstrating.remove_demo(demo)
    recordings.remove_recording(lesson)
    lesson.delete()


def _free_slug(title: str, taken: QuerySet[Course] | QuerySet[Lesson], reserved: set[str]) -> str:
    """The title as an address, with a number where that is taken."""
    stem = slugify(title)[: LONGEST_SLUG - 4].strip("-")
    if not stem:
        raise CourseRefused("The title needs a letter or a digit of the Latin script, for its address.")
    used = {*reserved, *taken.filter(slug__startswith=stem).values_list("slug", flat=True)}
    numbered = (f"{stem}-{number}" for number in range(2, 1000))
    return stem if stem not in used else next(slug for slug in numbered if slug not in used)
