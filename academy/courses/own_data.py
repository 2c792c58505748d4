"""What the room of the courses holds by one member, and what becomes of it when they leave."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from academy.courses.models import Progress
from academy.members.leaving import Parting
from academy.members.models import Member
from academy.members.own_data import Part


def held(member: Member) -> Part | None:
    """Where the member is in each lesson; None without any. Named in the setting MEMBER_DATA."""
    progress = Progress.objects.filter(member=member).order_by("lesson__course__title", "lesson__position")
    if not progress.exists():
        return None
    found = progress.values_list(
        "lesson__course__title", "lesson__title", "position_s", "finished_at", "seen_at"
    )
    names = ("course", "lesson", "position_s", "finished_at", "seen_at")
    return Part(
        "courses",
        "where you are in the lessons",
        {"progress": [dict(zip(names, row, strict=True)) for row in found]},
    )


def leaving(member: Member, now: datetime) -> Parting:
    """What goes with the member. Named in the setting MEMBER_LEAVING."""
    progress = Progress.objects.filter(member=member)

    def carry_out(answers: Mapping[str, str]) -> None:
        progress.delete()

    if not progress.exists():
        return Parting()
    return Parting(lost=["Where you are in the lessons, and which are finished."], carry_out=carry_out)
