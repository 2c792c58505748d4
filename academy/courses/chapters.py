"""Chapters of a lesson's recording, typed as text: a time and a title a line. Pure."""

from __future__ import annotations

import re
from dataclasses import dataclass

from academy.templatetags.audio_text import duration

LONGEST_TITLE = 120
MOST_CHAPTERS = 200
_CLOCK = re.compile(r"(?:([0-9]{1,2}):)?([0-9]{1,3}):([0-9]{2})(?:\.([0-9]{1,3}))?")
_LINE = re.compile(r"([0-9:.]+)\s+(\S.*)")


class ChaptersRefused(Exception):
    """The text holds a line that is no chapter. `sentences` name each line."""

    def __init__(self, sentences: list[str]) -> None:
        super().__init__(sentences)
        self.sentences = sentences


@dataclass(frozen=True)
class Chapter:
    """A named place in a recording."""

    start_s: float
    title: str


def read_chapters(text: str, *, length_s: float | None = None) -> list[Chapter]:
    """The chapters of a text, `0:00 The raw tracks` or `1:02:30.5 The end`; empty lines are passed over.

    An empty text has none. With a length, in seconds, every chapter has to begin before it. Raises
    ChaptersRefused for a line that cannot be read, is out of order, or lies past the end.
    """
    chapters: list[Chapter] = []
    wrong: list[str] = []
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        found = _read_line(line.strip())
        if isinstance(found, str):
            wrong.append(f"Line {number}: {found}")
            continue
        if chapters and found.start_s <= chapters[-1].start_s:
            wrong.append(
                f"Line {number}: {duration(found.start_s, 0)} does not come after the chapter above it. "
                "Put the chapters in order."
            )
        elif length_s is not None and found.start_s >= length_s:
            wrong.append(
                f"Line {number}: {duration(found.start_s, 0)} lies past the end of the recording, "
                f"which is {duration(length_s)} long."
            )
        chapters.append(found)
    if len(chapters) > MOST_CHAPTERS:
        wrong.append(f"{len(chapters)} chapters are too many to choose from; {MOST_CHAPTERS} are taken.")
    if wrong:
        raise ChaptersRefused(wrong)
    return chapters


def written(chapters: list[Chapter]) -> str:
    """The same as text, one a line; reading it gives the same chapters."""
    return "\n".join(f"{clock(chapter.start_s)} {chapter.title}" for chapter in chapters)


def read_clock(text: str) -> float | None:
    """A time such as `1:30` or `1:02:30.5` in seconds; None for what is none, or counts past 59."""
    match = _CLOCK.fullmatch(text)
    if match is None:
        return None
    hours, minutes, seconds, fraction = match.groups()
    if int(seconds) > 59 or (hours and int(minutes) > 59):
        return None
    return int(hours or 0) * 3600 + int(minutes) * 60 + int(seconds) + float(f"0.{fraction or 0}")


def clock(seconds: float) -> str:
    """Seconds as such a time, without zeros at its end."""
    written_out = duration(seconds, 3)
    return written_out.rstrip("0").rstrip(".")


def _read_line(line: str) -> Chapter | str:
    """The chapter, or what is wrong with the line."""
    match = _LINE.fullmatch(line)
    if match is None:
        return f"“{line[:40]}” should be a time and a title, as in 1:30 The bass."
    time, title = match.groups()
    start_s = read_clock(time)
    if start_s is None:
        return f"{time[:20]} is no time. Write minutes and two digits of seconds, as in 1:05 or 1:00:05."
    if len(title) > LONGEST_TITLE:
        return f"the title is longer than {LONGEST_TITLE} letters."
    return Chapter(start_s, title)
