"""What a member and a host find on the own page of practising. Named in the setting MEMBER_SECTIONS."""

from __future__ import annotations

from django.urls import reverse

from academy.members.models import Member
from academy.members.sections import Section
from academy.practice.models import FeedbackRequest


def practising(member: Member) -> list[Section]:
    """The way to the member's versions and their reports; for a host to everybody's."""
    if member.is_host:
        waiting = FeedbackRequest.objects.filter(answered_at=None).exclude(mix=None).count()
        words = "Who asks for your notes, and how the mixes of each pack differ from yours."
        if waiting:
            words = f"{waiting} {'asks' if waiting == 1 else 'ask'} for your notes. {words}"
        return [Section("Practice mixes", reverse("practice:hosting"), words)]
    words = "Hand in a mix of a stem pack, and see and hear how it differs from the teacher’s."
    return [Section("Your practice mixes", reverse("practice:mine"), words)]
