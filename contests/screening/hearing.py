"""Hear an entry beside what it is said to be like: a set of its own, made when the host asks for it.

A set for every finding beforehand would copy a large part of a contest for nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.shortcuts import get_object_or_404
from django.urls import reverse

from analysis.intake.models import Recording
from analysis.listening import planning, preparing
from analysis.listening.booth import Seat, Section, booth_set
from analysis.listening.models import CopyState, ListeningCopy
from analysis.measuring.foreign_files import Place
from analysis.measuring.measuring import kept_measurement
from contests.models import Contest, Entry, FindingBooth, Likeness
from contests.queries import sections_of_song

MOST_OTHERS = 4
"""The entries most alike so many; each copy takes the room of a file. Common practice, no source."""
LETTERS = "ABCDEF"


@dataclass(frozen=True)
class Heard:
    """How far the set is: `none`, `waiting`, `failed` or `ready`; what is wrong with copies; the page's
    data.
    """

    word: str
    troubles: list[str]
    booth_set: dict[str, Any] | None


@transaction.atomic
def prepare(entry: Entry, *, now: datetime) -> None:
    """Have the entry, the entries like it and the reference mix copied at one loudness. Anew if asked again.

    Raises CannotPlan for an entry that was not measured.
    """
    # The entry's own row, which is there for certain: before the first set there is no other to wait at.
    Entry.objects.select_for_update().get(pk=entry.pk)
    _clear(FindingBooth.objects.filter(entry=entry))
    contest, recordings = entry.contest, [entry.recording, *(one.recording for one in others_like(entry))]
    reference = contest.pack.reference_mix
    if reference is not None and _has_loudness(reference):
        recordings.append(reference)
    plan = planning.plan_set(
        list({recording.pk: recording for recording in recordings}.values()),
        wished_lufs=contest.listening_level_lufs,
        ceiling_dbtp=contest.listening_ceiling_dbtp,
        reference=reference if reference in recordings else None,
        shows_map=True,  # the host is not blind here
        now=now,
    )
    FindingBooth.objects.create(entry=entry, plan=plan)


def others_like(entry: Entry) -> list[Entry]:
    """The entries that it is most alike, the closest first, by the last screening."""
    pairs = Likeness.objects.filter(Q(entry=entry) | Q(other=entry), other__isnull=False)
    found = pairs.select_related("entry__recording", "other__recording")[:MOST_OTHERS]
    return [pair.other if pair.entry_id == entry.pk else pair.entry for pair in found]


def heard(entry: Entry, places: list[Place]) -> Heard:
    """The set about an entry as far as it is made; `places` become places to jump to, beside the song's
    own.
    """
    booth = FindingBooth.objects.select_related("plan").filter(entry=entry).first()
    if booth is None:
        return Heard("none", [], None)
    copies = list(booth.plan.copies.select_related("recording"))
    seats = _seats(entry, {copy.recording_id: copy for copy in copies})
    names = {seat.copy.pk: seat.name for seat in seats}
    troubles = [f"{names.get(copy.pk)}: {copy.trouble}" for copy in copies if copy.state == CopyState.REFUSED]
    states = {copy.state for copy in copies}
    if CopyState.WAITING in states:
        return Heard("waiting", troubles, None)
    if CopyState.READY not in states:
        return Heard("failed", troubles, None)
    sections = [*sections_of_song(entry.contest), *(Section("Foreign?", place.start_s) for place in places)]
    sections.sort(key=lambda section: section.start_s)
    return Heard("ready", troubles, booth_set(booth.plan, seats, sections))


def copy_to_hear(contest: Contest, copy_id: int) -> ListeningCopy:
    """A copy in one of the contest's sets, for its host, who has been asked for. Raises Http404 for
    others.
    """
    plans = FindingBooth.objects.filter(entry__contest=contest).values("plan")
    return get_object_or_404(ListeningCopy.objects.select_related("plan"), pk=copy_id, plan__in=plans)


def clear_all(contest: Contest) -> None:
    """Forget every set of a contest, with its copies: what they were made for is found anew."""
    _clear(FindingBooth.objects.filter(entry__contest=contest))


def _clear(booths: Any) -> None:
    for booth in booths.select_related("plan"):
        booth.delete()
        preparing.clear_plan(booth.plan)


def _has_loudness(recording: Recording) -> bool:
    found = kept_measurement(recording)
    return found is not None and found.integrated_lufs is not None


def _seats(entry: Entry, copies: dict[Any, ListeningCopy]) -> list[Seat]:
    named = [(entry.recording_id, f"Entry {entry.receipt}")]
    named += [(other.recording_id, f"Entry {other.receipt}") for other in others_like(entry)]
    named.append((entry.contest.pack.reference_mix_id, "Reference mix"))
    present = [(copies[recording], name) for recording, name in named if recording in copies]
    return [
        Seat(
            copy=copy,
            key=str(copy.pk),
            label=letter,
            name=name,
            segments_url=reverse("contests:hear_finding", args=[entry.contest.slug, copy.pk, 0]).removesuffix(
                "0"
            ),
        )
        for letter, (copy, name) in zip(LETTERS, present, strict=False)
    ]
