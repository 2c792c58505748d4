"""What a host may open at the courses' desk. For everybody else it is not there: 404."""

from __future__ import annotations

from django.http import Http404

from academy.courses.models import Attachment, Course, Demo, Lesson


def hosted_course(slug: str) -> Course:
    """The course under an address. Raises Http404 for an unknown one."""
    course = Course.objects.select_related("pack").filter(slug=slug).first()
    if course is None:
        raise Http404
    return course


def hosted_lesson(slug: str, lesson_slug: str) -> Lesson:
    """The lesson under an address. Raises Http404 for an unknown one."""
    found = Lesson.objects.select_related("course", "tier", "recording", "excerpt")
    lesson = found.filter(course__slug=slug, slug=lesson_slug).first()
    if lesson is None:
        raise Http404
    return lesson


def hosted_demo(lesson: Lesson, demo_id: int) -> Demo:
    """A demo of a lesson. Raises Http404 for an unknown one."""
    demo = lesson.demos.select_related("plan").filter(pk=demo_id).first()
    if demo is None:
        raise Http404
    return demo


def hosted_attachment(lesson: Lesson, attachment_id: int) -> Attachment:
    """An attachment of a lesson. Raises Http404 for an unknown one."""
    attachment = lesson.attachments.filter(pk=attachment_id).first()
    if attachment is None:
        raise Http404
    return attachment
