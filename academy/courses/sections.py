"""What a member finds of courses on the own page, and everybody on the page of a pack."""

from __future__ import annotations

from datetime import datetime

from django.urls import reverse
from django.utils import timezone

from academy.courses.access import viewer_of
from academy.courses.queries import CourseInProgress, courses_listed, in_progress
from academy.members.access import Eyes
from academy.members.models import Member
from academy.members.sections import Section
from academy.packs.models import StemPack
from academy.templatetags.audio_text import duration

MOST_SHOWN = 3


def following(member: Member) -> list[Section]:
    """The courses that the member has begun, each leading to where it goes on.

    Named in the setting MEMBER_SECTIONS.
    """
    return [_section(begun) for begun in in_progress(member, timezone.now(), most=MOST_SHOWN)]


def hosting(member: Member) -> list[Section]:
    """The way to the courses' desk, for hosts. Named in the setting MEMBER_SECTIONS."""
    if not member.is_host:
        return []
    words = "Write lessons, put recordings, captions and demos in, preview, publish."
    return [Section("Your courses", reverse("courses:hosting"), words)]


def courses_on(pack: StemPack, person: Eyes, now: datetime) -> list[Section]:
    """The courses about the pack that the person may see. Named in the setting PACK_SECTIONS."""
    return [
        Section(
            f"Course: {course.title}",
            reverse("courses:course", args=[course.slug]),
            "What was made of these tracks, lesson by lesson.",
        )
        for course in courses_listed(viewer_of(person, now)).filter(pack=pack)
    ]


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
