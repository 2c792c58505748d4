"""How two files match, in words. Pure: names in, sentences out."""

from __future__ import annotations

from analysis.measuring.likeness_files import Kind

_WORDS = {
    Kind.BYTES: "the same file, byte for byte",
    Kind.AUDIO: "the same sound in another file",
    Kind.COPY: "the same mix, at another gain or start",
    Kind.REENCODED: "the same levels of every stem, as after encoding: one mix, or one very near it",
    Kind.ALIKE: "nearly the same sound throughout",
    Kind.NEAR_REFERENCE: "very near the reference mix",
}


def of_kind(kind: str) -> str:
    """What a kind of likeness says, to the host."""
    return _WORDS[Kind(kind)]
