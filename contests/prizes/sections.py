"""What a winner finds on the own page. Named in the setting MEMBER_SECTIONS."""

from __future__ import annotations

from django.urls import reverse

from academy.members.models import Member
from academy.members.sections import Section
from contests.prizes.access import entries_with_prizes


def own_prizes(member: Member) -> list[Section]:
    """The way to the prizes of each entry that has some."""
    return [
        Section(
            f"Your prizes in “{entry.contest}”",
            reverse("contests:own_prizes", args=[entry.receipt]),
            "What waits for your answer, and what is on its way.",
        )
        for entry in entries_with_prizes(member)
    ]
