"""Reads about packs, with their joins."""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import Count, QuerySet

from academy.members.access import Person
from academy.packs.access import packs_for
from academy.packs.models import Stem, StemPack
from academy.packs.naming import stem_filename
from analysis.measuring.measuring import kept_numbers
from analysis.measuring.models import Measurement


@dataclass(frozen=True)
class StemLine:
    """One line of the table of stems."""

    stem: Stem
    filename: str
    measurement: Measurement | None  # None until the meter has been there


def packs_listed(person: Person) -> QuerySet[StemPack]:
    """The packs that the person may see, by title, each with `stem_count`."""
    return packs_for(person).annotate(stem_count=Count("stems")).order_by("title")


def stem_lines(pack: StemPack) -> list[StemLine]:
    """The stems in order with what was measured of them. Empty for a pack without stems."""
    stems = list(pack.stems.select_related("recording"))
    measured = kept_numbers(stem.recording_id for stem in stems)
    return [
        StemLine(
            stem=stem,
            filename=stem_filename(stem.position, stem.name, stem.recording),
            measurement=measured.get(stem.recording_id),
        )
        for stem in stems
    ]


def longest_s(lines: list[StemLine]) -> float | None:
    """The length of the longest stem, which is the length of the song; None without stems."""
    return max((line.stem.recording.duration_s for line in lines), default=None)
