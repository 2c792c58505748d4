"""Screen a closed contest: read every entry beside the stems, some at a time, then compare the sketches."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from django.db import transaction
from django.db.models import QuerySet

from academy.members.models import Member
from academy.practice.grounds import stems_of
from analysis.dsp.likeness import NullDepth
from analysis.intake import keeping
from analysis.intake.models import Recording
from analysis.jobs import requesting
from analysis.jobs.claiming import Claim
from analysis.measuring.aligned import TrackRefused
from analysis.measuring.beside_stems import BesideStems, StemsReader
from analysis.measuring.foreign_files import MOST_AT_ONCE, as_json, foreign_in, places_to_hear
from analysis.measuring.likeness_files import compare_sketches, null_of_files
from analysis.measuring.measuring import measurement_of
from analysis.measuring.sketches import ALIGNED_RATE_HZ, Sketch
from analysis.measuring.speed_files import advice_on
from contests import decisions
from contests.models import Contest, Entry, Likeness, ScreenedEntry, Screening
from contests.models.screening import ScreeningState
from contests.screening import hearing
from contests.states import ContestState, EntryState

SCREEN_CONTEST = "screen_contest"
"""The kind of job; its subject is a screening's primary key."""
AT_A_TIME = MOST_AT_ONCE
"""Entries that one run of the job reads, with one reading of the stems; it then asks for the next run, so
that no job lasts for hours and none holds more than these."""
SCREENED = (EntryState.READY, EntryState.ATTENTION)
COMPARED = (*SCREENED, EntryState.DISQUALIFIED)
"""A copy stays one, also when the other has been taken out since."""


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
    hearing.clear_all(contest)
    screening = Screening.objects.create(contest=contest, begun_at=now)
    requesting.request(SCREEN_CONTEST, screening.pk)
    decisions.record(contest, "entries screened", actor=actor, now=now)
    return screening


def screen_on(contest: Contest) -> None:
    """Have an entry that came in late, a repaired one, screened too. Nothing where nobody has screened
    yet.
    """
    if Screening.objects.filter(contest=contest).update(state=ScreeningState.WAITING):
        requesting.request(SCREEN_CONTEST, contest.screening.pk)


def screen_some(claim: Claim) -> None:
    """The job: read the next entries; when none is left, compare. Quiet for one that was replaced."""
    screenings = Screening.objects.select_related("contest__pack__reference_mix")
    screening = screenings.filter(pk=claim.subject).first()
    if screening is None:
        return
    left = _unscreened(screening)
    if left.exists():
        _read(screening, list(left[:AT_A_TIME]))
    if left.exists():
        with claim.finishing():
            requesting.request(SCREEN_CONTEST, screening.pk)
        return
    found = _pairs(screening)
    with claim.finishing():
        # Locked, so that an entry which comes in at this moment is either seen here or asks for a run anew.
        if Screening.objects.select_for_update().filter(pk=screening.pk).first() is None:
            return  # begun anew meanwhile
        screening.likenesses.all().delete()
        Likeness.objects.bulk_create(found)
        _mark_what_asks(screening, found)
        if left.exists():  # it came in while pairs were compared, and its own request found this run at work
            requesting.request(SCREEN_CONTEST, screening.pk)
        else:
            Screening.objects.filter(pk=screening.pk).update(state=ScreeningState.DONE)


def _unscreened(screening: Screening) -> QuerySet[Entry]:
    done = screening.screened.values("entry")
    standing = screening.contest.entries.filter(state__in=SCREENED).exclude(pk__in=done)
    return standing.select_related("recording").order_by("pk")


def _read(screening: Screening, entries: list[Entry]) -> None:
    """Read the stems once, then each entry, then all of them together beside the stems."""
    stems = [stem.recording for stem in stems_of(screening.contest.pack)]
    with _paths(stems) as stem_paths, _paths([entry.recording for entry in entries]) as paths:
        reader = StemsReader(stem_paths)
        _read_reference(screening, reader)
        lines: list[ScreenedEntry] = []
        aligned: list[tuple[ScreenedEntry, str, int]] = []
        for entry, path in zip(entries, paths, strict=True):
            Path(path).stat()  # what is gone is the storage's trouble, not the file's: tried again
            line = ScreenedEntry(screening=screening, entry=entry)
            try:
                read = reader.read(path)
            except TrackRefused as refusal:
                line.trouble = str(refusal)
            else:
                _note(line, read, screening.reference_offset_s or 0.0)
                if read.offset_is_sure:
                    aligned.append((line, path, read.offset_frames))
            lines.append(line)
        found = foreign_in(
            [path for _, path, _ in aligned],
            [frames for _, _, frames in aligned],
            stem_paths,
            rate_hz=ALIGNED_RATE_HZ,
        )
        for (line, _, _), foreign in zip(aligned, found, strict=True):
            line.foreign = as_json(foreign)
    # All at once, so that a worker that dies leaves none of them half read; a slow one finds them there
    # already.
    ScreenedEntry.objects.bulk_create(lines, ignore_conflicts=True)


def _read_reference(screening: Screening, reader: StemsReader) -> None:
    reference = screening.contest.pack.reference_mix
    if reference is None or screening.reference_sketch is not None:
        return
    measurement_of(reference)  # so that it can be heard beside an entry
    with _paths([reference]) as (path,):
        read = reader.read(path)
    screening.reference_sketch = read.sketch.as_json()
    screening.reference_offset_s = read.offset_frames / ALIGNED_RATE_HZ
    screening.save(update_fields=["reference_sketch", "reference_offset_s"])


def _note(line: ScreenedEntry, read: BesideStems, reference_offset_s: float) -> None:
    line.sketch = read.sketch.as_json()
    line.speed = advice_on(read.speed) if read.speed is not None else ""
    line.is_turned = read.polarity < 0
    line.is_aligned = read.offset_is_sure
    if read.offset_is_sure:
        line.offset_s = read.offset_frames / ALIGNED_RATE_HZ - reference_offset_s


def _pairs(screening: Screening) -> list[Likeness]:
    lines = screening.screened.filter(sketch__isnull=False, entry__state__in=COMPARED)
    names, sketches, entries, recordings = [], [], {}, {}
    for line in lines.select_related("entry__recording").order_by("entry").iterator(chunk_size=100):
        names.append(line.entry.receipt)
        sketches.append(
            Sketch.from_json(line.sketch)
        )  # the numbers alone: their text takes several times more
        entries[line.entry.receipt] = line.entry
        recordings[line.entry.receipt] = line.entry.recording
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

    return [
        Likeness(
            screening=screening,
            entry=entries[pair.a],
            other=entries.get(pair.b),
            kind=pair.kind.value,
            likeness=pair.likeness,
        )
        for pair in compare_sketches(names, sketches, has_reference=has_reference, null=null)
    ]


def _mark_what_asks(screening: Screening, found: list[Likeness]) -> None:
    """Note which entries have a finding that asks the host for a decision."""
    alike = {entry for one in found for entry in (one.entry_id, one.other_id)}
    lines = screening.screened.defer("sketch")
    asking = [
        line.pk
        for line in lines.iterator(chunk_size=100)
        if line.entry_id in alike
        or line.speed
        or line.trouble
        or line.is_aligned is False
        or (line.foreign and places_to_hear(line.foreign))
    ]
    lines.update(asks=False)
    screening.screened.filter(pk__in=asking).update(asks=True)


@contextmanager
def _paths(recordings: list[Recording]) -> Iterator[list[str]]:
    """Paths on this machine with the recordings' bytes, for as long as needed."""
    with keeping.local_paths(one.storage_key for one in recordings) as paths:
        yield [str(path) for path in paths]
