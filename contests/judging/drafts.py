"""What a judge typed, as read from a form or from a script's JSON: the same fields in both."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from contests.models import Criterion
from contests.scoring.sorting import Verdict

LONGEST_TEXT = 10_000
"""Letters in a comment or a note: five closely written pages."""

VERDICT = "verdict"
"""The name of the field in which a judge sorts."""

KEPT = Decimal("0.01")
"""The finest score that a row holds."""


class SheetRefused(Exception):
    """Something that is not taken into a sheet, and why, in the judge's words."""


@dataclass(frozen=True)
class Draft:
    """What is to change on a sheet. A score of None clears it; what is not named stays as it is.

    A verdict is said in rounds of quick sorting, in place of scores; an empty one clears it.
    """

    scores: Mapping[int, Decimal | None]  # by the criterion's primary key
    comment: str | None = None
    private_note: str | None = None
    verdict: str | None = None


def field_of(criterion: Criterion) -> str:
    """The name of a criterion's field."""
    return f"score-{criterion.pk}"


def read_draft(
    fields: Mapping[str, object], rubric: Iterable[Criterion], *, is_sorting: bool = False
) -> Draft:
    """The draft in the fields `score-…`, `comment` and `private_note`; other fields are passed over.

    In a round of sorting the field `verdict` is read as well. Raises SheetRefused, naming each, for scores
    that are not on their criterion's scale and for a verdict that is none.
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
    )


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


def _text(fields: Mapping[str, object], name: str) -> str | None:
    if name not in fields:
        return None
    # A form sends lines that end in CR LF, a script sends LF; PostgreSQL keeps no NUL.
    text = str(fields[name] or "").replace("\r\n", "\n").replace("\0", "")
    if len(text) > LONGEST_TEXT:
        raise SheetRefused(
            f"The text has {len(text):,} letters; at most {LONGEST_TEXT:,} are taken. "
            "Shorten it and save again."
        )
    return text
