"""What a member and a host find of recall sheets on the own page and on the page of a pack."""

from __future__ import annotations

from datetime import datetime

from django.urls import reverse

from academy.members.access import Eyes
from academy.members.models import Member
from academy.members.sections import Section
from academy.packs.models import StemPack
from academy.recall.queries import sheets_listed


def sheets(member: Member) -> list[Section]:
    """The way to the recall sheets: for a host to write them, for a member to read them.

    Named in the setting MEMBER_SECTIONS.
    """
    if member.is_host:
        return [Section("Your recall sheets", reverse("recall:hosting"), "Chains noted device by device.")]
    return [Section("Recall sheets", reverse("recall:list"), "How a mix was set, device by device.")]


def sheets_on(pack: StemPack, person: Eyes, now: datetime) -> list[Section]:
    """The pack's recall sheets that the person may read, tracks first. Named in the setting PACK_SECTIONS."""
    return [
        Section(
            f"Recall sheet: {line.title}",
            reverse("recall:sheet", args=[line.sheet.slug]),
            f"{line.where[:1].upper()}{line.where[1:]}, device by device.",
        )
        for line in sheets_listed(person, now, pack=pack)
        if line.is_open
    ]
