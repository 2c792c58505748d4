"""What a host finds on the own page about members and letters. Named in the setting MEMBER_SECTIONS."""

from __future__ import annotations

from django.urls import reverse

from academy.members.models import Member
from academy.members.sections import Section


def hosting(member: Member) -> list[Section]:
    """The ways to the members' desk and to the letters, for hosts."""
    if not member.is_host:
        return []
    return [
        Section("Members", reverse("members:hosting"), "Who is here, what they hold; tiers, codes, lists."),
        Section("The site’s letters", reverse("letters:hosting"), "What each says, and those in trouble."),
    ]
