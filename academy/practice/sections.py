"""What a member and a host find of practising on the own page and on the page of a pack."""

from __future__ import annotations

from datetime import datetime

from django.urls import reverse

from academy.members.access import Eyes
from academy.members.models import Member
from academy.members.sections import Section
from academy.packs.access import may_fetch
from academy.packs.models import StemPack
from academy.practice import queries


def practising(member: Member) -> list[Section]:
    """The way to the member's versions; for a host to everybody's. Named in the setting MEMBER_SECTIONS."""
    if member.is_host:
        waiting = queries.queue().count()
        words = "Who asks for your notes, and how the mixes of each pack differ from yours."
        if waiting:
            words = f"{waiting} {'asks' if waiting == 1 else 'ask'} for your notes. {words}"
        return [Section("Practice mixes", reverse("practice:hosting"), words)]
    words = "Hand in a mix of a stem pack, and see and hear how it differs from the teacher’s."
    return [Section("Your practice mixes", reverse("practice:mine"), words)]


def practising_on(pack: StemPack, person: Eyes, now: datetime) -> list[Section]:
    """The way from a pack's page to practising on it. Named in the setting PACK_SECTIONS."""
    if not may_fetch(person, pack, now):
        return []
    words = "Hand in your own mix of these stems, and see and hear how it differs from the reference mix."
    return [Section("Practise", reverse("practice:pack", args=[pack.slug]), words)]
