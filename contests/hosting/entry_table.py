"""The entries as a CSV table: plain numbers, ASCII minus, one line an entry, by receipt."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from datetime import UTC

from contests.hosting.queries import EntryLine

COLUMNS = (
    "entry",
    "state",
    "received_at",
    "format",
    "subtype",
    "sample_rate_hz",
    "channels",
    "duration_s",
    "size_bytes",
    "integrated_lufs",
    "true_peak_dbtp",
    "findings",
)
NAMES = ("name", "email", "file")
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")
"""What makes a spreadsheet take a cell for a formula. OWASP, "CSV Injection": prefix a single quote."""


def entries_csv(lines: Iterable[EntryLine], *, with_names: bool) -> str:
    """One line an entry; empty cells where something is not measured. Times are UTC.

    Without names nothing in it comes from the entrant but the sound: no name, no address, no file name.
    """
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\r\n")  # RFC 4180, clause 2
    table.writerow(COLUMNS + (NAMES if with_names else ()))
    for line in lines:
        entry, recording = line.entry, line.entry.recording
        row: list[object] = [
            entry.receipt,
            entry.get_state_display(),
            entry.received_at.astimezone(UTC).isoformat(timespec="seconds"),
            recording.format,
            recording.subtype,
            recording.sample_rate_hz,
            recording.channels,
            round(recording.duration_s, 3),
            recording.size_bytes,
            line.measurement.integrated_lufs if line.measurement else None,
            line.measurement.true_peak_dbtp if line.measurement else None,
            " ".join(finding["message"] for finding in entry.findings),
        ]
        if with_names:
            row += [entry.member.name, entry.member.email, recording.original_name]
        table.writerow([guarded(cell) for cell in row])
    return text.getvalue()


def guarded(cell: object) -> object:
    """A cell that no spreadsheet runs. Numbers stay numbers: a minus before one is no formula."""
    if isinstance(cell, str) and cell.startswith(FORMULA_STARTS):
        return "'" + cell
    return "" if cell is None else cell
