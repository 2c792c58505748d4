"""Plain text columns, and how names and numbers are written in them."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import NamedTuple

from django.core.management.base import CommandError

UNDEFINED = "–"
MINUS = "−"


class Column(NamedTuple):
    """One column of a table with units: the key it shows, its two heading lines, and its number format."""

    key: str
    heading: str
    unit: str
    form: str


def columns(header: Sequence[str], rows: Sequence[Sequence[str]], *, left: Collection[str]) -> list[str]:
    """A line for the header and one a row; columns named in `left` start flush, the others end flush."""
    widths = [max(len(row[at]) for row in (header, *rows)) for at in range(len(header))]
    return [
        "  ".join(
            cell.ljust(width) if name in left else cell.rjust(width)
            for name, cell, width in zip(header, row, widths, strict=True)
        ).rstrip()
        for row in (header, *rows)
    ]


def number(value: float | None, form: str) -> str:
    """A number with a true minus sign; a dash where there is none."""
    return UNDEFINED if value is None or not math.isfinite(value) else format(value, form).replace("-", MINUS)


def name_of(path: str | Path) -> str:
    """A file's name as a terminal can show it."""
    return Path(path).name.encode(errors="replace").decode()


def make_folder(folder: Path, *, what: str) -> None:
    """Make the folder that `what` goes to, unless it is there. Raises CommandError if it fails."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CommandError(f"{folder} is no folder for {what}: {error.strerror}.", returncode=2) from error
