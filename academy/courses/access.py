"""Who may see a course, and who may follow a lesson. Not found and not allowed look the same: 404."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

from django.db.models import Q, QuerySet
from django.http import Http404
from django.shortcuts import get_object_or_404

from academy.courses.models import Course, Demo, DemoVariant, Lesson
from academy.members.access import Eyes, Imagined, imagined_people, is_host, is_member, opens, rank_of
from academy.members.models import Member


@dataclass(frozen=True)
class Viewer:
    """Whose eyes a page is for, and when. Every rule of this room asks a viewer.

    A host sees drafts in a preview too, or there would be nothing to preview; lessons open as they would to
    the previewed. Since a host may open everything, a preview only ever takes away.
    """

    person: Eyes
    now: datetime
    preview: Imagined | None = None

    @property
    def is_host(self) -> bool:
        """Whether drafts are there for this viewer."""
        return is_host(self.person)

    @property
    def is_member(self) -> bool:
        """Whether the eyes are a member's."""
        return is_member(self.preview or self.person)

    @property
    def follower(self) -> Member | None:
        """The member whose progress is kept; none for a visitor, nor in a preview."""
        return self.person if isinstance(self.person, Member) and not self.preview else None

    @cached_property
    def rank(self) -> int:
        """As `rank_of` gives it; asked for once."""
        return rank_of(self.preview or self.person, self.now)

    def may_follow(self, lesson: Lesson) -> bool:
        """Whether the whole lesson is open: to everybody, to every member, or by tier."""
        if lesson.tier is not None:
            return opens(self.rank, lesson.tier)
        return self.is_member or not lesson.is_for_members


def viewer_of(person: Eyes, now: datetime, *, preview: str = "") -> Viewer:
    """The viewer that a person is. `preview`, as `imagined_people` names them, is heeded for hosts only."""
    if not preview or not is_host(person):
        return Viewer(person, now)
    return Viewer(person, now, imagined_people().get(preview))


def courses_for(viewer: Viewer) -> QuerySet[Course]:
    """The courses that the viewer may see: the published ones, and for a host all."""
    if viewer.is_host:
        return Course.objects.all()
    return Course.objects.filter(publish_at__lte=viewer.now)


def lessons_seen(viewer: Viewer) -> Q:
    """Which lessons of a visible course there are for the viewer: those kept back are for hosts only."""
    return Q() if viewer.is_host else Q(is_kept_back=False)


def course_for(viewer: Viewer, slug: str) -> Course:
    """The course under an address. Raises Http404 for one that is not published, unless a host asks."""
    return get_object_or_404(courses_for(viewer).select_related("pack"), slug=slug)


def lesson_for(viewer: Viewer, slug: str, lesson_slug: str) -> Lesson:
    """A lesson that the viewer may see, open or locked. Raises Http404 otherwise."""
    found = Lesson.objects.filter(lessons_seen(viewer), course__in=courses_for(viewer))
    related = found.select_related("tier", "course", "recording", "excerpt")
    return get_object_or_404(related, course__slug=slug, slug=lesson_slug)


def open_lesson_for(viewer: Viewer, slug: str, lesson_slug: str) -> Lesson:
    """A lesson that the viewer may follow. Raises Http404 otherwise."""
    lesson = lesson_for(viewer, slug, lesson_slug)
    if not viewer.may_follow(lesson):
        raise Http404
    return lesson


def demo_for(viewer: Viewer, demo_id: int) -> Demo:
    """A demo whose lesson the viewer may follow. Raises Http404 otherwise."""
    return _in_open_lesson(viewer, Demo.objects.filter(pk=demo_id))


def variant_for(viewer: Viewer, code: str) -> DemoVariant:
    """A variant under its code, if the viewer may follow its lesson. Raises Http404 otherwise."""
    variant = get_object_or_404(DemoVariant.objects.select_related("demo"), code=code)
    variant.demo = _in_open_lesson(viewer, Demo.objects.filter(pk=variant.demo_id))
    return variant


def _in_open_lesson(viewer: Viewer, demos: QuerySet[Demo]) -> Demo:
    lessons = Lesson.objects.filter(lessons_seen(viewer), course__in=courses_for(viewer))
    demo = demos.filter(lesson__in=lessons).select_related("plan", "lesson__tier", "lesson__course").first()
    if demo is None or not viewer.may_follow(demo.lesson):
        raise Http404
    return demo
