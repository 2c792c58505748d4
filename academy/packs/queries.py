"""Reads about packs, with their joins."""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import Case, Count, F, QuerySet, When

from academy.members.access import Person
from academy.packs import converting
from academy.packs.access import packs_for
from academy.packs.converting import StemFile
from academy.packs.models import PackVersion, PublishedStem, SoundForm, Stem, StemPack
from academy.packs.naming import stem_filename
from analysis.measuring.measuring import kept_numbers
from analysis.measuring.models import Measurement


@dataclass(frozen=True)
class StemLine:
    """One line of the table of stems."""

    stem: Stem | PublishedStem
    filename: str
    measurement: Measurement | None  # None until the meter has been there
    files: dict[str, StemFile]  # what can be fetched, by the value of its form


def packs_listed(person: Person) -> QuerySet[StemPack]:
    """The packs that the person may see, by title, each with `stem_count`: handed out, or drafted."""
    counted = packs_for(person).annotate(
        published_count=Count("current__stems", distinct=True), desk_count=Count("stems", distinct=True)
    )
    counts = Case(When(current=None, then=F("desk_count")), default=F("published_count"))
    return counted.annotate(stem_count=counts).order_by("title")


def stem_lines(of: StemPack | PackVersion, form: SoundForm = SoundForm.WAV) -> list[StemLine]:
    """The stems of a version, or those on the desk, in order with what was measured of them. Empty for none.

    `filename` is that of a pack of this form.
    """
    stems: list[Stem | PublishedStem] = list(of.stems.select_related("recording"))
    measured = kept_numbers(stem.recording_id for stem in stems)
    files = {one: converting.kept_files([stem.recording for stem in stems], one) for one in SoundForm}
    return [
        StemLine(
            stem=stem,
            filename=stem_filename(stem.position, stem.name, converting.form_within(stem.recording, form)),
            measurement=measured.get(stem.recording_id),
            files={
                one.value: kept[stem.recording_id] for one, kept in files.items() if stem.recording_id in kept
            },
        )
        for stem in stems
    ]


def longest_s(lines: list[StemLine]) -> float | None:
    """The length of the longest stem, which is the length of the song; None without stems."""
    return max((line.stem.recording.duration_s for line in lines), default=None)
