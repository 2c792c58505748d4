"""Write a part of a caption file."""

from __future__ import annotations

import re

from academy.courses.webvtt.reading import CaptionFile
from academy.courses.webvtt.times import written

_TIME = re.compile(r"<[0-9][^>]*>")


def part_of(captions: CaptionFile, *, from_ms: int, until_ms: int) -> str:
    """The cues between two times as a file of their own, whose zero is `from_ms`.

    A cue that lies across an edge is cut there; times inside a cue's text are left out with the cue's own
    tags kept. Without a cue in the part the file has none.
    """
    blocks = ["WEBVTT", *captions.declared]
    for cue in captions.cues:
        start_ms, end_ms = max(cue.start_ms, from_ms), min(cue.end_ms, until_ms)
        if start_ms < end_ms:
            times = f"{written(start_ms - from_ms)} --> {written(end_ms - from_ms)} {cue.settings}".rstrip()
            blocks.append(
                "\n".join([*filter(None, [cue.identifier]), times, _untimed(cue.text)]).rstrip("\n")
            )
    return "\n\n".join(blocks) + "\n"


def _untimed(text: str) -> str:
    return _TIME.sub("", text)
