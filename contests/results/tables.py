"""The standing as a CSV table: plain numbers, ASCII minus, full precision, entries by receipt."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable

from contests.results.queries import StandingPart

COLUMNS = (
    "group",
    "place",
    "decided_place",
    "entry",
    "raw_mean",
    "adjusted",
    "standard_error",
    "hearings",
    "tied_with_first",
    "could_be_first",
)


def standings_csv(parts: Iterable[StandingPart]) -> str:
    """One line an entry, best first, group by group; empty cells where something is not defined."""
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\r\n")  # RFC 4180, clause 2
    table.writerow(COLUMNS)
    for number, part in enumerate(parts, start=1):
        for line in part.entries:
            row = line.row
            table.writerow(
                [
                    number,
                    _cell(row["place"]),
                    _cell(line.decided_place),
                    line.receipt,
                    *(_cell(row[name]) for name in COLUMNS[4:]),
                ]
            )
    return text.getvalue()


def _cell(value: object) -> object:
    if value is None:
        return ""
    return ("yes" if value else "no") if isinstance(value, bool) else value
