"""Plain text columns, and how names and numbers are written in them."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from pathlib import Path

UNDEFINED = "–"
MINUS = "−"


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


def name_of(path: str) -> str:
    """A file's name as a terminal can show it."""
    return Path(path).name.encode(errors="replace").decode()
