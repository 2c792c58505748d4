"""What a host finds on the own page. Named in the setting MEMBER_SECTIONS."""

from __future__ import annotations

from django.urls import reverse

from academy.members.models import Member
from academy.members.sections import Section


def hosting(member: Member) -> list[Section]:
    """The way to the packs' desks, for hosts."""
    if not member.is_host:
        return []
    return [
        Section(
            "Your stem packs", reverse("packs:hosting:list"), "Put raw tracks in, have them audited, publish."
        )
    ]
