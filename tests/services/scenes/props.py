"""What several files of scenes are played with: an upload that has passed the door, and entering it."""

from __future__ import annotations

from django.utils import timezone

from academy.members.models import Member
from analysis.audiofile import AudioDescription
from analysis.intake import keeping, sealing
from contests.entering.submissions import EntryRefused, submit_entry
from contests.models import Entry
from tests import cast


def new_upload() -> sealing.Received:
    """An upload as it is once it has passed the door."""
    like = cast.recording()
    key = keeping.shelf().save(keeping.new_key(), keeping.opened(like.storage_key))
    description = AudioDescription(like.format, like.subtype, like.sample_rate_hz, like.channels, like.frames)
    return sealing.Received(key, like.sha256, like.size_bytes, "mix.wav", description)


def submit(contest: int, person: int, received: sealing.Received) -> str | None:
    """Enter; the refusal, or None."""
    try:
        submit_entry(
            contest_id=contest,
            member=Member.objects.get(pk=person),
            received=received,
            now=timezone.now(),
        )
    except EntryRefused as exc:
        return str(exc)
    return None


def entries_of(contest: int) -> list[int]:
    """The entries of a contest that anybody sees now."""
    return sorted(Entry.objects.filter(contest=contest).values_list("pk", flat=True))
