"""What the room of practising holds by one member, and what becomes of it when they leave."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from django.db.models import QuerySet

from academy.members.leaving import Parting
from academy.members.models import Member
from academy.members.own_data import Part
from academy.practice import deleting
from academy.practice.models import FeedbackRequest, MixState, PracticeMix, TimedNote


def held(member: Member) -> Part | None:
    """Versions, reports, notes and questions; None where there are none. Named in the setting MEMBER_DATA."""
    mixes = _mixes_of(member).select_related("practice__pack", "recording", "report").order_by("received_at")
    notes = TimedNote.objects.filter(author=member).order_by("written_at")
    asked = FeedbackRequest.objects.filter(member=member)
    if not mixes.exists() and not notes.exists() and not asked.exists():
        return None
    return Part(
        "practice",
        "the practice mixes that you handed in, what their reports found, the notes that you wrote, and what "
        "you asked the teacher",
        {
            "versions": [
                {
                    "pack": mix.practice.pack.title,
                    "version": mix.number,
                    "file": mix.recording.original_name,
                    "address": f"/practice/mixes/{mix.code}/file/",
                    "remark": mix.remark,
                    "received_at": mix.received_at,
                    "found": mix.report.found if hasattr(mix, "report") else None,
                }
                for mix in mixes
            ],
            "asked": list(asked.values("mix__code", "question", "asked_at", "answered_at")),
            "notes": list(notes.values("mix__code", "start_s", "end_s", "text", "written_at")),
        },
    )


def leaving(member: Member, now: datetime) -> Parting:
    """What goes with the member. Named in the setting MEMBER_LEAVING."""
    mixes = _mixes_of(member)
    asked = FeedbackRequest.objects.filter(member=member)
    notes = TimedNote.objects.filter(author=member)
    if not mixes.exists() and not notes.exists() and not asked.exists():
        return Parting()

    def carry_out(answers: Mapping[str, str]) -> None:
        for mix in mixes:
            deleting.delete_mix(mix)
        asked.delete()
        notes.delete()

    return Parting(
        lost=[
            "Your practice mixes with their audio, reports and notes, and the links by which you shared them."
        ],
        carry_out=carry_out,
    )


def _mixes_of(member: Member) -> QuerySet[PracticeMix]:
    return PracticeMix.objects.filter(practice__member=member).exclude(state=MixState.DELETED)
