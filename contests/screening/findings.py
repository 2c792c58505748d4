"""Everything that was noticed about entries, gathered for reading. Nothing here decides anything."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Q

from analysis.measuring.foreign_files import TOLD_SHARE, Place, places_to_hear
from contests.models import Contest, Entry, Likeness, ScreenedEntry
from contests.screening import words
from contests.states import EntryState

PICTURE_WIDTH, PICTURE_HEIGHT = 480, 72
FULL_SHARE = 0.25
"""What fills the picture from bottom to top; more is drawn as this."""


@dataclass(frozen=True)
class Found:
    """One thing that was noticed: its name, the words to the host and to the entrant.

    `asks` tells whether it asks the host for a decision: what the judges' copy puts right does not. `other`
    is the entry that it is like, `likeness` the share of energy in common.
    """

    title: str
    said: str
    to_entrant: str
    asks: bool = True
    other: Entry | None = None
    likeness: float | None = None
    places: list[Place] = field(default_factory=list)
    picture: dict[str, Any] | None = None


def of_contest(contest: Contest) -> dict[int, list[Found]]:
    """What was noticed about each entry, by its primary key. The number of queries does not grow with
    them.
    """
    lines = ScreenedEntry.objects.filter(screening__contest=contest).defer("sketch").select_related("entry")
    pairs = Likeness.objects.filter(screening__contest=contest).select_related("entry", "other")
    # An upload that is no entry any more, or never became one, asks nothing of anybody, unless the host
    # has decided about it.
    gone = Q(state__in={EntryState.REPLACED, EntryState.SET_ASIDE, EntryState.WITHDRAWN}, rulings=None)
    off_spec = contest.entries.exclude(findings=[]).exclude(gone)
    return _gathered(lines, pairs, off_spec)


def of_entry(entry: Entry) -> list[Found]:
    """What was noticed about one entry, what asks for a decision first."""
    lines = ScreenedEntry.objects.filter(entry=entry).defer("sketch").select_related("entry")
    pairs = Likeness.objects.filter(Q(entry=entry) | Q(other=entry)).select_related("entry", "other")
    found = _gathered(lines, pairs, [entry] if entry.findings else [])
    return sorted(found.get(entry.pk, []), key=lambda one: not one.asks)


def _gathered(
    lines: Iterable[ScreenedEntry], pairs: Iterable[Likeness], off_spec: Iterable[Entry]
) -> dict[int, list[Found]]:
    found: dict[int, list[Found]] = defaultdict(list)
    for pair in pairs:
        found[pair.entry_id].append(_alike(pair, pair.other))
        if pair.other_id is not None:
            found[pair.other_id].append(_alike(pair, pair.entry))
    for line in lines:
        found[line.entry_id] += _of_line(line)
    for entry in off_spec:
        is_open = entry.state == EntryState.ATTENTION
        found[entry.pk] += [
            Found("Not as asked", f"The entrant was told: “{told}”", told, asks=is_open)
            for told in (one["message"] for one in entry.findings)
        ]
    return {entry: noticed for entry, noticed in found.items() if noticed}


def _alike(pair: Likeness, other: Entry | None) -> Found:
    said = words.of_kind(pair.kind)
    return Found(
        title="Alike" if other else "Like the reference",
        said=said[0].upper() + said[1:] + ".",
        to_entrant=words.alike_to_entrant(pair.kind, to_reference=other is None),
        other=other,
        likeness=pair.likeness,
    )


def _of_line(line: ScreenedEntry) -> list[Found]:
    if line.trouble:
        return [Found("Could not be read", line.trouble, line.trouble)]
    found = []
    if line.speed:
        found.append(Found("Speed", line.speed, line.speed))
    elif line.is_aligned is False:
        found.append(Found("Another song?", words.UNALIGNED, words.UNALIGNED))
    places = places_to_hear(line.foreign) if line.foreign else []
    if places:
        said = words.of_places(places)
        picture = _picture(line.foreign, places)
        found.append(Found("Not from the stems?", said, said, places=places, picture=picture))
    if said := words.of_offset(line.offset_s):
        found.append(Found("Start", said, said, asks=False))
    if line.is_turned:
        found.append(Found("Polarity", words.TURNED, words.TURNED, asks=False))
    return found


def _picture(foreign: dict[str, Any], places: list[Place]) -> dict[str, Any]:
    """The share over time as bars, in the units of the picture; those in a place to listen at are marked."""
    shares = foreign["windows"]
    width = PICTURE_WIDTH / len(shares)
    bars = []
    for at, share in enumerate(shares):
        height = min(share / FULL_SHARE, 1.0) * PICTURE_HEIGHT
        bars.append(
            {
                "x": round(at * width, 1),
                "y": round(PICTURE_HEIGHT - height, 1),
                "width": round(max(width - 0.5, 0.5), 1),
                "height": round(height, 1),
                "is_told": any(place.start_s <= at * foreign["window_s"] < place.end_s for place in places),
            }
        )
    return {
        "width": PICTURE_WIDTH,
        "height": PICTURE_HEIGHT,
        "bars": bars,
        "told_y": round(PICTURE_HEIGHT * (1.0 - TOLD_SHARE / FULL_SHARE), 1),
        "length_s": len(shares) * foreign["window_s"],
    }
