"""Write, answer, resolve and take back timed notes."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction
from django.db.models import Q

from academy.members.models import Member
from academy.practice.models import PracticeMix, TimedNote
from academy.templatetags.audio_text import duration

MOST_NOTES = 500
"""On one version, answers among them. Common practice, no source: more is not read."""


class NoteRefused(Exception):
    """A note that is not taken, and why."""


def write_note(
    *, mix: PracticeMix, author: Member, text: str, start_s: float, end_s: float | None, now: datetime
) -> TimedNote:
    """Put a remark at a time, or over a range, of a version.

    Raises NoteRefused outside the recording, for a range that ends before it starts, and where there are too
    many.
    """
    length_s = mix.recording.duration_s
    if start_s > length_s or (end_s or 0.0) > length_s + 1.0:
        raise NoteRefused(f"This version is {duration(length_s)} long; the note lies behind its end.")
    if end_s is not None and end_s <= start_s:
        raise NoteRefused("The note ends before it starts. Put the earlier time first.")
    _require_room(mix)
    return TimedNote.objects.create(
        mix=mix, author=author, text=text.strip(), start_s=start_s, end_s=end_s, written_at=now
    )


def answer_note(*, note: TimedNote, author: Member, text: str, now: datetime) -> TimedNote:
    """Put an answer under a note; an answer to an answer goes under the note as well.

    Raises NoteRefused where there are too many.
    """
    first = note.answers or note
    _require_room(first.mix)
    return TimedNote.objects.create(
        mix_id=first.mix_id,
        author=author,
        answers=first,
        text=text.strip(),
        start_s=first.start_s,
        end_s=first.end_s,
        written_at=now,
    )


def _require_room(mix: PracticeMix) -> None:
    if mix.notes.count() >= MOST_NOTES:
        raise NoteRefused(
            f"This version has {MOST_NOTES} notes and answers, the most there is room for. Take back some "
            "that are done with."
        )


def set_resolved(note: TimedNote, *, resolved: bool, now: datetime) -> None:
    """Mark a note as done with, or open it again."""
    TimedNote.objects.filter(pk=note.pk).update(resolved_at=now if resolved else None)


@transaction.atomic
def take_back(note: TimedNote, *, member: Member) -> None:
    """Remove a note, with its answers, at its author's wish. Raises NoteRefused for somebody else's."""
    if note.author_id != member.pk:
        raise NoteRefused("Only whoever wrote a note can take it back.")
    TimedNote.objects.filter(Q(pk=note.pk) | Q(answers=note.pk)).delete()
