"""Who may see a course, and who may follow a lesson. Not found and not allowed look the same: 404."""

from __future__ import annotations

from datetime import datetime

from django.db.models import QuerySet
from django.http import Http404

from academy.courses.models import Course, Demo, DemoVariant, Lesson
from academy.members.access import Person, may_open
from academy.members.models import Member


def courses_for(person: Person) -> QuerySet[Course]:
    """The courses that the person may see: the published ones, and for a host all."""
    if isinstance(person, Member) and person.is_host:
        return Course.objects.all()
    return Course.objects.filter(is_published=True)


def course_for(person: Person, slug: str) -> Course:
    """The course under an address. Raises Http404 for one that is not published, unless a host asks."""
    course = courses_for(person).select_related("pack").filter(slug=slug).first()
    if course is None:
        raise Http404
    return course


def may_follow(person: Person, lesson: Lesson, now: datetime) -> bool:
    """Whether the person may read the lesson and hear its demos. Without a tier it is free to everybody."""
    return may_open(person, lesson.tier, now)


def demo_for(person: Person, demo_id: int, now: datetime) -> Demo:
    """A demo whose lesson the person may follow. Raises Http404 otherwise."""
    return _in_open_lesson(person, Demo.objects.filter(pk=demo_id), now)


def variant_for(person: Person, code: str, now: datetime) -> DemoVariant:
    """A variant under its code, if the person may follow its lesson. Raises Http404 otherwise."""
    variant = DemoVariant.objects.select_related("demo").filter(code=code).first()
    if variant is None:
        raise Http404
    variant.demo = _in_open_lesson(person, Demo.objects.filter(pk=variant.demo_id), now)
    return variant


def _in_open_lesson(person: Person, demos: QuerySet[Demo], now: datetime) -> Demo:
    visible = demos.filter(lesson__course__in=courses_for(person))
    demo = visible.select_related("plan", "lesson__tier", "lesson__course").first()
    if demo is None or not may_follow(person, demo.lesson, now):
        raise Http404
    return demo
