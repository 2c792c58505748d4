"""What a judge typed, as read from a form or from a script's JSON: the same fields in both."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from academy.templatetags.audio_text import duration
from analysis.listening.clock import seconds_of
from contests.models import Criterion
from contests.scoring.sorting import Verdict

LONGEST_TEXT = 10_000
"""Letters in a comment or a note: five closely written pages."""

VERDICT = "verdict"
"""The name of the field in which a judge sorts."""

NOTES = "notes"
"""The field that says that all timed notes are among the fields: those that are not there are to go."""

LONGEST_NOTE = 2_000
MOST_NOTES = 100
"""Timed notes on one sheet. Common practice, no source: more is not read."""

TO_ENTRANT = "entrant"
"""What the field that says who reads a note holds when the entrant does; empty: the judge alone."""

_NOTE_TEXT = re.compile(r"note-text-([0-9]{1,4})")

KEPT = Decimal("0.01")
"""The finest score that a row holds."""


class SheetRefused(Exception):
    """Something that is not taken into a sheet, and why, in the judge's words."""


@dataclass(frozen=True, order=True)
class NoteDraft:
    """A timed note, in seconds from the start of what is heard, to the tenth. Without `end_s`: a moment."""

    start_s: float
    end_s: float | None
    text: str
    to_entrant: bool


@dataclass(frozen=True)
class Draft:
    """What is to change on a sheet. A score of None clears it; what is not named stays as it is.

    A verdict is said in rounds of quick sorting, in place of scores; an empty one clears it.
    """

    scores: Mapping[int, Decimal | None]  # by the criterion's primary key
    comment: str | None = None
    private_note: str | None = None
    verdict: str | None = None
    notes: tuple[NoteDraft, ...] | None = None  # all of them, in order of time


def field_of(criterion: Criterion) -> str:
    """The name of a criterion's field."""
    return f"score-{criterion.pk}"


def read_draft(
    fields: Mapping[str, object], rubric: Iterable[Criterion], *, is_sorting: bool = False
) -> Draft:
    """The draft in the fields `score-…`, `comment`, `private_note` and `note-…`; others are passed over.

    In a round of sorting the field `verdict` is read as well. Raises SheetRefused, naming each, for scores
    that are not on their criterion's scale, for a verdict that is none, and for a note whose times are none.
    """
    scores: dict[int, Decimal | None] = {}
    wrong = []
    for criterion in rubric:
        name = field_of(criterion)
        if name not in fields:
            continue
        text = str(fields[name] or "").strip()
        try:
            scores[criterion.pk] = _on_scale(text, criterion) if text else None
        except ValueError:
            wrong.append(
                f"{criterion.name}: {text[:20]} is not on its scale, which goes {scale_of(criterion)}."
            )
    if wrong:
        raise SheetRefused(" ".join(wrong))
    return Draft(
        scores,
        comment=_text(fields, "comment"),
        private_note=_text(fields, "private_note"),
        verdict=_verdict(fields) if is_sorting else None,
        notes=_notes(fields) if NOTES in fields else None,
    )


def fields_of_notes(notes: Iterable[NoteDraft]) -> dict[str, str]:
    """The notes as fields, numbered in order of time from 1, as `read_draft` reads them."""
    fields = {NOTES: "all"}
    for number, note in enumerate(notes, start=1):
        fields |= {
            f"note-start-{number}": duration(note.start_s),
            f"note-end-{number}": "" if note.end_s is None else duration(note.end_s),
            f"note-text-{number}": note.text,
            f"note-to-{number}": TO_ENTRANT if note.to_entrant else "",
        }
    return fields


def scale_of(criterion: Criterion) -> str:
    """The scale in words: `from 1 to 10 in steps of 0.5`."""
    return f"from {plain(criterion.lowest)} to {plain(criterion.highest)} in steps of {plain(criterion.step)}"


def plain(value: Decimal) -> str:
    """A decimal as it is typed: without zeros at its end, without an exponent."""
    return f"{value.normalize():f}"


def _verdict(fields: Mapping[str, object]) -> str | None:
    """The verdict that was sent, empty to clear it; None where nothing is said of it."""
    if VERDICT not in fields:
        return None
    said = str(fields[VERDICT] or "")
    if said and said not in list(Verdict):
        raise SheetRefused(f"“{said[:20]}” is not one of keep, unsure and pass.")
    return said


def note_numbers(fields: Mapping[str, object]) -> list[int]:
    """The numbers under which the fields have notes, in order."""
    return sorted(int(match[1]) for name in fields if (match := _NOTE_TEXT.fullmatch(name)))


def _notes(fields: Mapping[str, object]) -> tuple[NoteDraft, ...]:
    """The notes that were sent, in order of time; one without words is none."""
    notes = [
        _note(fields, number)
        for number in note_numbers(fields)
        if str(fields[f"note-text-{number}"] or "").strip()
    ]
    if len(notes) > MOST_NOTES:
        raise SheetRefused(f"There are {len(notes)} notes; at most {MOST_NOTES} are taken. Remove some.")
    return tuple(sorted(notes, key=lambda note: note.start_s))


def _note(fields: Mapping[str, object], number: int) -> NoteDraft:
    text = (_text(fields, f"note-text-{number}", LONGEST_NOTE) or "").strip()
    start_s = _place(fields, f"note-start-{number}")
    end_s = _place(fields, f"note-end-{number}")
    if start_s is None:
        raise SheetRefused(f"Say at what time the note “{text[:20]}” is: 1:02.5, for instance.")
    if end_s is not None and end_s <= start_s:
        raise SheetRefused(
            f"The note at {duration(start_s)} ends before it starts. Put the earlier time first."
        )
    return NoteDraft(start_s, end_s, text, to_entrant=fields.get(f"note-to-{number}") == TO_ENTRANT)


def _place(fields: Mapping[str, object], name: str) -> float | None:
    """A time in seconds, to the tenth that it is shown with; None where none is written."""
    text = str(fields.get(name) or "").strip()
    try:
        return round(seconds_of(text), 1) if text else None
    except ValueError as exc:
        raise SheetRefused(f"“{text[:20]}” is no time for a note. Write it like 1:02 or 1:02.5.") from exc


def _on_scale(text: str, criterion: Criterion) -> Decimal:
    """The score in `text`; a decimal comma is as good as a point. Raises ValueError off the scale."""
    try:
        value = Decimal(text.replace(",", "."))
    except InvalidOperation as exc:
        raise ValueError(text) from exc
    # The range first: a remainder of something huge cannot be taken.
    if not value.is_finite() or not criterion.lowest <= value <= criterion.highest:
        raise ValueError(text)
    if value != value.quantize(KEPT) or (value - criterion.lowest) % criterion.step:
        raise ValueError(text)
    return value


def _text(fields: Mapping[str, object], name: str, longest: int = LONGEST_TEXT) -> str | None:
    if name not in fields:
        return None
    # A form sends lines that end in CR LF, a script sends LF; PostgreSQL keeps no NUL.
    text = str(fields[name] or "").replace("\r\n", "\n").replace("\0", "")
    if len(text) > longest:
        raise SheetRefused(
            f"The text has {len(text):,} letters; at most {longest:,} are taken. Shorten it and save again."
        )
    return text
