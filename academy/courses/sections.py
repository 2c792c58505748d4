"""What a member finds on the own page about courses. Named in the setting MEMBER_SECTIONS."""

from __future__ import annotations

from django.urls import reverse
from django.utils import timezone

from academy.courses.queries import CourseInProgress, in_progress
from academy.members.models import Member
from academy.members.sections import Section
from academy.templatetags.audio_text import duration

MOST_SHOWN = 3


def following(member: Member) -> list[Section]:
    """The courses that the member has begun, each leading to where it goes on."""
    return [_section(begun) for begun in in_progress(member, timezone.now(), most=MOST_SHOWN)]


def hosting(member: Member) -> list[Section]:
    """The way to the courses' desk, for hosts."""
    if not member.is_host:
        return []
    words = "Write lessons, put recordings, captions and demos in, preview, publish."
    return [Section("Your courses", reverse("courses:hosting"), words)]


def _section(begun: CourseInProgress) -> Section:
    course, outline = begun.course, begun.outline
    count = f"{outline.finished_count} of {len(outline.lines)} lessons finished."
    line = outline.next_line
    if line is None:
        return Section(course.title, reverse("courses:course", args=[course.slug]), count)
    at = f" at {duration(line.position_s, 0)}" if line.position_s else ""
    return Section(
        f"Go on with {course.title}",
        reverse("courses:lesson", args=[course.slug, line.lesson.slug]),
        f"{count} Next: {line.lesson.title}{at}.",
    )
