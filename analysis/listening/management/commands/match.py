"""`manage.py match FILE… --out DIR`: listening copies of a set, at one level by gain alone."""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from analysis.dsp.matching import DEFAULT_CEILING_DBTP, DEFAULT_LEVEL_LUFS
from analysis.listening.matching_files import MatchedCopy, MatchedSet, Refusal, match_files
from analysis.measuring.management.columns import MINUS, Column, make_folder, name_of, number

# Softer than this, the absolute gate of BS.1770 at -70 LUFS would take part of the music for silence.
SOFTEST = -50.0
KEYS = (
    "copy",
    "level_lufs",
    "gain_db",
    "offset_frames",
    "polarity",
    "copy_lufs",
    "second_meter_lufs",
    "copy_true_peak_dbtp",
    "sample_rate_hz",
    "frames",
)
COLUMN_WIDTH = 9

COLUMNS = (
    Column("gain_db", "gain", "dB", "+z.2f"),
    Column("copy_lufs", "loudness", "LUFS", "z.2f"),
    Column("second_meter_lufs", "2nd meter", "LUFS", "z.2f"),
    Column("copy_true_peak_dbtp", "true peak", "dBTP", "+z.2f"),
    Column("offset_frames", "offset", "frames", "+d"),
    Column("polarity", "polarity", "", "+d"),
)


class Command(BaseCommand):
    """Match files; no database, no server."""

    help = (
        "Write a listening copy of each WAV or FLAC file: all at one loudness by gain alone, at one rate and "
        "length, as 24-bit FLAC without tags. The level is lowered for the whole set where one file would "
        "pass the ceiling. Each copy is read by two meters. Exits 1 if a file got no copy."
    )
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        """Describe the call."""
        parser.add_argument(
            "files", nargs="+", type=Path, metavar="FILE", help="a WAV, RF64, BW64 or FLAC file"
        )
        parser.add_argument(
            "--out", required=True, type=Path, metavar="DIR", help="the folder for the copies"
        )
        parser.add_argument(
            "--level",
            type=_level_lufs,
            default=DEFAULT_LEVEL_LUFS,
            metavar="LUFS",
            help="the level to aim for; %(default)s LUFS where not given",
        )
        parser.add_argument(
            "--ceiling",
            type=_ceiling_dbtp,
            default=DEFAULT_CEILING_DBTP,
            metavar="DBTP",
            help="the true peak that no copy passes; %(default)s dBTP where not given",
        )
        parser.add_argument(
            "--reference",
            type=Path,
            metavar="FILE",
            help="align every file to the start of this one, turn back turned polarity, and take its length",
        )
        parser.add_argument(
            "--json", action="store_true", help="one JSON object a line, null where undefined"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        """Match, then print a line a file; reasons and remarks go to standard error."""
        paths: list[Path] = options["files"]
        folder: Path = options["out"]
        make_folder(folder, what="copies")
        matched = match_files(
            paths,
            folder,
            wished_lufs=options["level"],
            ceiling_dbtp=options["ceiling"],
            reference=options["reference"],
        )
        lines = _json_lines(paths, matched) if options["json"] else _table(paths, matched)
        for line in lines:
            self.stdout.write(line)
        for remark in _remarks(paths, matched, ceiling_dbtp=options["ceiling"]):
            self.stderr.write(remark)
        n_refused = sum(isinstance(file, Refusal) for file in matched.files)
        if n_refused:
            raise CommandError(f"{n_refused} of {len(paths)} files got no copy.", returncode=1)


def _json_lines(paths: Sequence[Path], matched: MatchedSet) -> Iterator[str]:
    for path, file in zip(paths, matched.files, strict=True):
        found: dict[str, object] = {"path": str(path)} | dict.fromkeys(KEYS) | {"error": None}
        if isinstance(file, Refusal):
            found["error"] = {"code": file.code, "message": file.message}
        else:
            found |= {key: getattr(file, key) for key in KEYS} | {"copy": str(file.copy)}
        yield json.dumps(found, allow_nan=False)


def _table(paths: Sequence[Path], matched: MatchedSet) -> Iterator[str]:
    names = [name_of(path) for path in paths]
    name_width = max(len("file"), *map(len, names))
    for first, cells in (("file", [column.heading for column in COLUMNS]), ("", [c.unit for c in COLUMNS])):
        yield _line(first, cells, name_width)
    for name, file in zip(names, matched.files, strict=True):
        if isinstance(file, MatchedCopy):
            cells = [number(getattr(file, key), form) for key, _, _, form in COLUMNS]
            yield f"{_line(name, cells, name_width)}  {name_of(file.copy)}"


def _line(first: str, cells: Sequence[str], name_width: int) -> str:
    columns = (cell.rjust(COLUMN_WIDTH) for cell in cells)
    return "  ".join((first.ljust(name_width), *columns))


def _remarks(paths: Sequence[Path], matched: MatchedSet, *, ceiling_dbtp: float) -> Iterator[str]:
    """What went otherwise than wished, for standard error."""
    if matched.plan is not None and matched.limiting is not None:
        yield (
            f"The level is {matched.plan.level_lufs:.2f} LUFS, {matched.plan.lowered_db:.2f} dB lower than "
            f"wished: above it {name_of(matched.limiting)} would pass {ceiling_dbtp:g} dBTP."
        ).replace(" -", f" {MINUS}")
    for path, file in zip(paths, matched.files, strict=True):
        if isinstance(file, Refusal):
            yield f"{name_of(path)}: {file.message}"
        elif not file.offset_is_sure:
            yield f"{name_of(path)}: no start in common with the reference stands out, so it was not moved."


def _level_lufs(text: str) -> float:
    return _decibels(text, "LUFS")


def _ceiling_dbtp(text: str) -> float:
    return _decibels(text, "dBTP")


def _decibels(text: str, unit: str) -> float:
    """A level between `SOFTEST` and full scale. Raises what argparse turns into a wrong call."""
    try:
        level = float(text)
    except ValueError:
        level = math.nan
    if not SOFTEST <= level <= 0.0:
        raise argparse.ArgumentTypeError(f"{text} is not a level between {MINUS}{-SOFTEST:g} and 0 {unit}")
    return level
