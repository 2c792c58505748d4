"""Timestamps: from `01:02:03.500` to milliseconds and back (clause 4.1)."""

from __future__ import annotations

import re

_TIMESTAMP = re.compile(r"(?:([0-9]{2,9}):)?([0-5][0-9]):([0-5][0-9])\.([0-9]{3})")
_ALMOST = re.compile(r"(?:([0-9]{1,9}):)?([0-9]{1,2}):([0-9]{1,2})(?:[.,]([0-9]*))?")
MOST_HOURS = 99


def read_timestamp(text: str) -> int | None:
    """A timestamp in milliseconds; None when it is none. Hours need two digits or more."""
    match = _TIMESTAMP.fullmatch(text)
    if match is None:
        return None
    hours, minutes, seconds, thousandths = (int(part or 0) for part in match.groups())
    if hours > MOST_HOURS:
        return None
    return ((hours * 60 + minutes) * 60 + seconds) * 1000 + thousandths


def written(time_ms: int) -> str:
    """Milliseconds as a timestamp with its hours."""
    seconds, thousandths = divmod(time_ms, 1000)
    minutes, second = divmod(seconds, 60)
    hour, minute = divmod(minutes, 60)
    return f"{hour:02d}:{minute:02d}:{second:02d}.{thousandths:03d}"


def why_not(text: str) -> str:
    """What keeps a text from being a timestamp, and how it should have been written."""
    match = _ALMOST.fullmatch(text)
    if match is None:
        return f"“{text[:40]}” is no time. Write minutes, seconds and thousandths, as in 01:02.500."
    hours, minutes, seconds, thousandths = match.groups()
    if int(minutes) > 59 or int(seconds) > 59:
        return f"“{text}” counts past 59 minutes or seconds. Carry over, as in 01:00:05.000."
    if hours is not None and int(hours) > MOST_HOURS:
        return f"“{text}” lies beyond {MOST_HOURS} hours."
    lead = "" if hours is None else f"{int(hours):02d}:"
    meant = f"{lead}{int(minutes):02d}:{int(seconds):02d}.{(thousandths or '')[:3]:0<3}"
    if "," in text:
        return f"“{text}” has a comma before the thousandths; WebVTT wants a full stop: {meant}."
    return f"“{text}” does not have two digits each and three after the full stop: write {meant}."
