"""What the contests put on a member's own page. The setting MEMBER_SECTIONS names these functions."""

from __future__ import annotations

from django.urls import reverse

from academy.members.models import Member
from academy.members.sections import Section


def entries(member: Member) -> list[Section]:
    """The way to the member's own entries, once there is one."""
    if not member.entries.exists():
        return []
    return [
        Section(
            "Your entries", reverse("contests:my_entries"), "What you entered, its receipt and how it stands."
        )
    ]
