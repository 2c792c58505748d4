"""Plain text columns for the commands of this room."""

from __future__ import annotations

from collections.abc import Collection, Sequence


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
