"""What a host finds on the own page. Named in the setting MEMBER_SECTIONS."""

from __future__ import annotations

from django.urls import reverse

from academy.members.models import Member
from academy.members.sections import Section


def sheets(member: Member) -> list[Section]:
    """The way to the recall sheets: for a host to write them, for a member to read them."""
    if member.is_host:
        return [Section("Your recall sheets", reverse("recall:hosting"), "Chains noted device by device.")]
    return [Section("Recall sheets", reverse("recall:list"), "How a mix was set, device by device.")]
