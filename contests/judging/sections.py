"""What a judge finds on the own page. Named in the setting MEMBER_SECTIONS."""

from __future__ import annotations

from django.urls import reverse

from academy.members.models import Member
from academy.members.sections import Section


def judging(member: Member) -> list[Section]:
    """The way to the judge's desk, for whoever sits on a panel."""
    if not member.seats.exists():
        return []
    return [Section("Judging", reverse("contests:judging"), "Mixes that wait to be heard and scored by you.")]
