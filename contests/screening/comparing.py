"""Screen a closed contest: sketch every entry, some at a time, then compare the sketches."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import datetime
from pathlib import Path

from django.db import transaction

from academy.members.models import Member
from academy.practice.grounds import stems_of
from analysis.dsp.likeness import NullDepth
from analysis.intake import keeping
from analysis.intake.models import Recording
from analysis.jobs import requesting
from analysis.jobs.claiming import Claim
from analysis.measuring.aligned import TrackRefused
from analysis.measuring.likeness_files import Pair, compare_sketches, null_of_files
from analysis.measuring.sketches import Sketch, Sketcher
from analysis.measuring.speed_files import advice_on
from contests import decisions
from contests.models import Contest, Entry, Likeness, ScreenedEntry, Screening
from contests.models.screening import ScreeningState
from contests.states import ContestState, EntryState

SCREEN_CONTEST = "screen_contest"
"""The kind of job; its subject is a screening's primary key."""
AT_A_TIME = 20
"""Entries that one run of the job reads; it then asks for the next run, so that no job lasts for hours."""
SCREENED = (EntryState.READY, EntryState.ATTENTION)


class ScreeningRefused(Exception):
    """A screening that cannot begin, and why."""


@transaction.atomic
def begin(contest_id: int, *, actor: Member, now: datetime) -> Screening:
    """Have every entry that stands compared with every other, with the reference mix and with the stems.

    Begun again, it throws away what was found before. Raises ScreeningRefused while entries may still come,
    and once judges hear them.
    """
    contest = Contest.objects.select_for_update().get(pk=contest_id)
    if contest.state != ContestState.CLOSED:
        raise ScreeningRefused("Entries are screened between the close and the judging.")
    if not stems_of(contest.pack):
        raise ScreeningRefused("The stem pack has no stems to compare with.")
    Screening.objects.filter(contest=contest).delete()
    screening = Screening.objects.create(contest=contest, begun_at=now)
    requesting.request(SCREEN_CONTEST, screening.pk)
    decisions.record(contest, "entries screened", actor=actor, now=now)
    return screening


def screen_some(claim: Claim) -> None:
    """The job: sketch the next entries; when none is left, compare. Quiet for one that was replaced."""
    screenings = Screening.objects.select_related("contest__pack__reference_mix")
    screening = screenings.filter(pk=claim.subject).first()
    if screening is None:
        return
    left = _unscreened(screening)
    if left:
        _sketch(screening, left[:AT_A_TIME])
    if len(left) > AT_A_TIME:
        with claim.finishing():
            requesting.request(SCREEN_CONTEST, screening.pk)
        return
    found = _pairs(screening)
    with claim.finishing():
        screening.likenesses.all().delete()
        Likeness.objects.bulk_create(found)
        Screening.objects.filter(pk=screening.pk).update(state=ScreeningState.DONE)


def _unscreened(screening: Screening) -> list[Entry]:
    done = screening.screened.values("entry")
    standing = screening.contest.entries.filter(state__in=SCREENED).exclude(pk__in=done)
    return list(standing.select_related("recording").order_by("pk"))


def _sketch(screening: Screening, entries: list[Entry]) -> None:
    """Read the stems once, then each entry; every one is kept as soon as it is read."""
    stems = [stem.recording for stem in stems_of(screening.contest.pack)]
    with _paths(stems) as stem_paths:
        sketcher = Sketcher(stem_paths)
        if screening.reference_sketch is None and screening.contest.pack.reference_mix is not None:
            with _paths([screening.contest.pack.reference_mix]) as (path,):
                screening.reference_sketch = sketcher.sketch(path).as_json()
            screening.save(update_fields=["reference_sketch"])
        for entry in entries:
            with _paths([entry.recording]) as (path,):
                Path(path).stat()  # what is gone is the storage's trouble, not the file's: tried again
                line = ScreenedEntry(screening=screening, entry=entry)
                try:
                    line.sketch = sketcher.sketch(path).as_json()
                    wrong = sketcher.wrong_speeds.get(path)
                    line.speed = advice_on(wrong.error) if wrong is not None else ""
                except TrackRefused as refusal:
                    line.trouble = str(refusal)
                line.save()


def _pairs(screening: Screening) -> list[Likeness]:
    lines = list(screening.screened.filter(sketch__isnull=False).select_related("entry__recording"))
    entries = {line.entry.receipt: line.entry for line in lines}
    recordings = {receipt: entry.recording for receipt, entry in entries.items()}
    names = list(entries)
    sketches = [Sketch.from_json(line.sketch) for line in lines]
    reference = screening.contest.pack.reference_mix
    has_reference = screening.reference_sketch is not None and reference is not None
    if has_reference:
        assert reference is not None
        names.insert(0, "")
        sketches.insert(0, Sketch.from_json(screening.reference_sketch))
        recordings[""] = reference

    def null(one: str, other: str) -> NullDepth:
        with _paths([recordings[one], recordings[other]]) as (first, second):
            return null_of_files(first, second)

    found: tuple[Pair, ...] = compare_sketches(names, sketches, has_reference=has_reference, null=null)
    return [
        Likeness(
            screening=screening,
            entry=entries[pair.a],
            other=entries.get(pair.b),
            kind=pair.kind.value,
            likeness=pair.likeness,
        )
        for pair in found
    ]


@contextmanager
def _paths(recordings: list[Recording]) -> Iterator[list[str]]:
    """Paths on this machine with the recordings' bytes, for as long as needed."""
    with ExitStack() as borrowed:
        yield [str(borrowed.enter_context(keeping.local_path(one.storage_key))) for one in recordings]
