"""The free part of a lesson that is not free: the text above a marked line, a stretch of the recording."""

from __future__ import annotations

from academy.courses.models import Lesson

MARKED_LINE = "[free until here]"


def marked_lines(text: str) -> int:
    """How many lines of a text say that its free part ends there."""
    return sum(_is_marked(line) for line in text.splitlines())


def free_text(text: str) -> str:
    """What stands above the marked line; nothing when no line is marked."""
    lines = text.splitlines()
    ends = [number for number, line in enumerate(lines) if _is_marked(line)]
    return "\n".join(lines[: ends[0]]) if ends else ""


def whole_text(text: str) -> str:
    """The text without the marked line, for whom the whole lesson is open."""
    return "\n".join(line for line in text.splitlines() if not _is_marked(line))


def is_there(lesson: Lesson) -> bool:
    """Whether somebody to whom the lesson is locked gets a part of it."""
    return bool(free_text(lesson.text).strip()) or lesson.excerpt_id is not None


def _is_marked(line: str) -> bool:
    return line.strip().lower() == MARKED_LINE
