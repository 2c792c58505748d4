"""Keep where a member is in a lesson, and what is finished."""

from __future__ import annotations

from datetime import datetime

from academy.courses.models import Lesson, Progress
from academy.members.models import Member


def keep_position(member: Member, lesson: Lesson, *, position_s: float, now: datetime) -> None:
    """Remember a place in the lesson's recording, in seconds; one outside it is moved to its nearer end."""
    length_s = lesson.recording.length_s if lesson.recording else 0.0
    Progress.objects.update_or_create(
        member=member,
        lesson=lesson,
        defaults={"position_s": min(max(0.0, position_s), length_s), "seen_at": now},
    )


def set_finished(member: Member, lesson: Lesson, *, is_finished: bool, now: datetime) -> None:
    """Note that the member is through with the lesson, or is not after all. It then begins anew."""
    Progress.objects.update_or_create(
        member=member,
        lesson=lesson,
        defaults={"finished_at": now if is_finished else None, "position_s": 0.0, "seen_at": now},
    )
