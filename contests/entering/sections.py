"""What an entrant finds on the own page. Named in the setting MEMBER_SECTIONS."""

from __future__ import annotations

from django.urls import reverse

from academy.members.models import Member
from academy.members.sections import Section


def own_entries(member: Member) -> list[Section]:
    """The way to the member's entries, for whoever has some."""
    if not member.entries.exists():
        return []
    return [Section("Your entries", reverse("contests:my_entries"), "Their state, receipts and files.")]
