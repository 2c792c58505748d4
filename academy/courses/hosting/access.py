"""What a host may open at the courses' desk. For everybody else it is not there: 404."""

from __future__ import annotations

from django.shortcuts import get_object_or_404

from academy.courses.models import Attachment, Course, Demo, Lesson


def hosted_course(slug: str) -> Course:
    """The course under an address. Raises Http404 for an unknown one."""
    return get_object_or_404(Course.objects.select_related("pack"), slug=slug)


def hosted_lesson(slug: str, lesson_slug: str) -> Lesson:
    """The lesson under an address. Raises Http404 for an unknown one."""
    found = Lesson.objects.select_related("course", "tier", "recording", "excerpt")
    return get_object_or_404(found, course__slug=slug, slug=lesson_slug)


def hosted_demo(lesson: Lesson, demo_id: int) -> Demo:
    """A demo of a lesson. Raises Http404 for an unknown one."""
    return get_object_or_404(lesson.demos.select_related("plan"), pk=demo_id)


def hosted_attachment(lesson: Lesson, attachment_id: int) -> Attachment:
    """An attachment of a lesson. Raises Http404 for an unknown one."""
    return get_object_or_404(lesson.attachments, pk=attachment_id)
