"""`manage.py measure FILE…`: loudness, peaks and the rest, as a table or as JSON."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from analysis.measuring.files import Found, measure_files
from analysis.measuring.management.columns import Column, make_folder, name_of, number

COLUMNS = (
    Column("duration_s", "length", "s", "z.1f"),
    Column("sample_rate_hz", "rate", "Hz", "d"),
    Column("channels", "chan-", "nels", "d"),
    Column("integrated_lufs", "integrated", "LUFS", "z.1f"),
    Column("loudness_range_lu", "range", "LU", "z.1f"),
    Column("max_momentary_lufs", "max mom.", "LUFS", "z.1f"),
    Column("max_short_term_lufs", "max short", "LUFS", "z.1f"),
    Column("true_peak_dbtp", "true peak", "dBTP", "+z.1f"),
    Column("sample_peak_dbfs", "sample pk", "dBFS", "+z.1f"),
    Column("peak_to_loudness_lu", "peak-loud.", "LU", "z.1f"),
    Column("crest_db", "crest", "dB", "z.1f"),
    Column("dc_offset", "offset", "of 1", "+z.4f"),
    Column("clipped_runs", "clipped", "runs", "d"),
    Column("correlation", "corr.", "", "+z.2f"),
)
LONGEST_NAME = 40


class Command(BaseCommand):
    """Measure files; no database, no server."""

    help = (
        "Measure the loudness (BS.1770), loudness range, true peak and more of WAV and FLAC files. "
        "Exits 1 if a file could not be measured."
    )
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        """Describe the call."""
        parser.add_argument("files", nargs="+", metavar="FILE", help="a WAV, RF64, BW64 or FLAC file")
        parser.add_argument(
            "--json", action="store_true", help="one JSON object a line, null where undefined"
        )
        parser.add_argument(
            "--picture",
            type=Path,
            metavar="DIR",
            help="draw outline and loudness of each file into this folder",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Print each file's line as soon as it and those before it are measured."""
        paths: list[str] = options["files"]
        picture_dir: Path | None = options["picture"]
        if picture_dir:
            make_folder(picture_dir, what="pictures")
        refused = 0
        name_width = max(len(_name(path)) for path in paths)
        if not options["json"]:
            self.stdout.write(_headings(name_width))
        for found in measure_files(paths, picture_dir=picture_dir):
            if options["json"]:
                self.stdout.write(json.dumps(found, allow_nan=False))
            elif found["error"] is None:
                self.stdout.write(_row(found, name_width))
            if isinstance(found["error"], dict):
                refused += 1
                self.stderr.write(f"{_name(str(found['path']))}: {found['error']['message']}")
        if refused:
            raise CommandError(f"{refused} of {len(paths)} files could not be measured.", returncode=1)


def _name(path: str) -> str:
    """A file's name as a terminal can show it, its middle left out where it is long."""
    name = name_of(path)
    if len(name) <= LONGEST_NAME:
        return name
    return f"{name[: LONGEST_NAME // 2]}…{name[1 - LONGEST_NAME // 2 :]}"


def _headings(name_width: int) -> str:
    top = "  ".join(column.heading.rjust(_width(column)) for column in COLUMNS)
    units = "  ".join(column.unit.rjust(_width(column)) for column in COLUMNS)
    return f"{'file'.ljust(name_width)}  {top}\n{''.ljust(name_width)}  {units}"


def _row(found: Found, name_width: int) -> str:
    cells = "  ".join(_cell(found[column.key], column.form).rjust(_width(column)) for column in COLUMNS)
    note = "  silent" if found["silent"] else ""
    return f"{_name(str(found['path'])).ljust(name_width)}  {cells}{note}"


def _width(column: Column) -> int:
    return max(len(column.heading), len(column.unit), 6)


def _cell(value: object, form: str) -> str:
    assert value is None or isinstance(value, int | float)
    return number(value, form)
