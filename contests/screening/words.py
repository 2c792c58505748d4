"""What was noticed about an entry, in words: to the host, and to the entrant, who hears of nobody else.

Pure: numbers in, sentences out. No sentence says that anybody did wrong.
"""

from __future__ import annotations

from collections.abc import Sequence

from academy.practice.thresholds import OFFSET_S
from academy.templatetags.audio_text import duration, number, percent
from analysis.measuring.foreign_files import Place
from analysis.measuring.likeness_files import Kind

_WORDS = {
    Kind.BYTES: "the same file, byte for byte",
    Kind.AUDIO: "the same sound in another file",
    Kind.COPY: "the same mix, at another gain or start",
    Kind.REENCODED: "the same levels of every stem, as after encoding: one mix, or one very near it",
    Kind.ALIKE: "nearly the same sound throughout",
    Kind.NEAR_REFERENCE: "very near the reference mix",
}

UNALIGNED = (
    "It does not line up with the stems, neither as it is nor at another speed: another song, another tempo, "
    "or cut anew. Hear it."
)
TURNED = "Its polarity is turned over against the stems; the judges’ copy puts it right."


def of_kind(kind: str) -> str:
    """What a kind of likeness says, to the host."""
    return _WORDS[Kind(kind)]


def alike_to_entrant(kind: str, *, to_reference: bool) -> str:
    """The same to an entrant, without a word about whose the other entry is."""
    if to_reference:
        return f"Beside the reference mix: {of_kind(kind)}."
    return f"Beside another entry: {of_kind(kind)}."


def of_offset(offset_s: float | None) -> str:
    """How far its start is off, where that is worth telling; empty where it is not."""
    if offset_s is None or abs(offset_s) < OFFSET_S:
        return ""
    late = "later" if offset_s > 0 else "earlier"
    return (
        f"It starts {number(abs(offset_s) * 1000.0, 0)} ms {late} than the reference mix; the judges’ copy "
        "puts it right."
    )


def of_places(places: Sequence[Place]) -> str:
    """Where to listen for sound that no stem accounts for; empty without a place."""
    if not places:
        return ""
    listed = "; ".join(
        f"{duration(place.start_s)} to {duration(place.end_s)} ({percent(place.share, 0)})"
        for place in places
    )
    return (
        "Sound that follows none of the stems, neither in phase nor as their room, echo or distortion. "
        f"Listen at {listed}. The percentages are shares of the energy there. An estimate: hear it before "
        "you judge."
    )
