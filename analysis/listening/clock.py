"""A time in the song as people type it, `1:02.5`. No Django here."""

from __future__ import annotations

import re

# ASCII digits alone: what a form takes, a browser's own check of the field takes as well.
_CLOCK = re.compile(r"(?:([0-9]{1,2}):)?([0-9]{1,3}):([0-9]{1,2}(?:\.[0-9]+)?)")


def seconds_of(text: str) -> float:
    """Seconds from the start for `1:02`, `1:02.5` or `1:02:03`. Raises ValueError for what is no time."""
    match = _CLOCK.fullmatch(text.strip())
    if match is None or float(match[3]) >= 60:
        raise ValueError(text)
    return 3600 * int(match[1] or 0) + 60 * int(match[2]) + float(match[3])
