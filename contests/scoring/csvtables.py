"""Comma-separated tables from a host's hand: read strictly, refused with line and column."""

import csv
import io
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from contests.scoring.errors import SheetsRefused

# Digits with a decimal point, as a spreadsheet writes them. Python's own float() takes more: "1_0", "nan",
# "٣".
NUMBER = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]{1,3})?")

# A million scores take about 40 MB.
LARGEST_BYTES = 100_000_000


@dataclass(frozen=True)
class Row:
    """One line of a table: where it stands in the file, and its cells by column name, trimmed."""

    line: int
    cells: dict[str, str]


def read_table(path: Path, required: Sequence[str], optional: Sequence[str] = ()) -> list[Row]:
    """Read the file at `path`; its first line must name the columns, in any order.

    UTF-8 with or without a byte order mark; empty lines are passed over; at least one row is demanded. Raises
    SheetsRefused, naming file, line and column, for everything that cannot be read without guessing.
    """
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_BYTES + 1)
    except (OSError, ValueError) as exc:  # a name no system takes is a ValueError
        reason = exc.strerror if isinstance(exc, OSError) else str(exc)
        raise SheetsRefused([f"{path}: cannot be read: {reason}."]) from exc
    if len(content) > LARGEST_BYTES:
        limit_mb = LARGEST_BYTES // 1_000_000
        raise SheetsRefused([f"{path}: larger than {limit_mb} MB; no table here needs that much."])
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        raise SheetsRefused([f"{path}: not a text file in UTF-8. Export it again as CSV, UTF-8."]) from exc
    if "\0" in text:
        raise SheetsRefused([f"{path}: not a text file. Export it again as CSV, UTF-8."])
    return _rows(str(path), text, required, optional)


def _rows(name: str, text: str, required: Sequence[str], optional: Sequence[str]) -> list[Row]:
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    header: list[str] = []
    rows: list[Row] = []
    problems: list[str] = []
    try:
        for fields in reader:
            cells = [field.strip() for field in fields]
            if not any(cells):
                continue
            if not header:
                header = _header(name, cells, required, optional)
                continue
            where = f"{name}, line {reader.line_num}"
            if len(cells) != len(header):
                problems.append(f"{where}: {len(cells)} fields where the header names {len(header)}.")
                continue
            row = Row(reader.line_num, dict(zip(header, cells, strict=True)))
            problems += [f"{where}, {fault}" for fault in _faults(row, required)]
            rows.append(row)
    except csv.Error as exc:
        raise SheetsRefused(
            [*problems, f"{name}, line {reader.line_num}: not readable as CSV: {exc}."]
        ) from exc
    if not header:
        raise SheetsRefused([f"{name}: the file is empty. Its first line must be: {','.join(required)}"])
    if problems:
        raise SheetsRefused(problems)
    if not rows:
        raise SheetsRefused([f"{name}: there is a header and no row below it."])
    return rows


def _header(name: str, cells: list[str], required: Sequence[str], optional: Sequence[str]) -> list[str]:
    """The column names, in the file's order; raises SheetsRefused where they are not the expected ones."""
    columns = [cell.casefold() for cell in cells]
    wanted = ",".join(required) + (f" (and, if wanted, {','.join(optional)})" if optional else "")
    for separator, word in ((";", "semicolons"), ("\t", "tabs")):
        if len(cells) == 1 and separator in cells[0]:
            raise SheetsRefused(
                [f"{name}, line 1: separated by {word}; commas are expected. Export it again: {wanted}"]
            )
    problems = [f'column "{column}" is missing' for column in required if column not in columns]
    problems += [f'column "{c}" is not known' for c in columns if c not in required and c not in optional]
    problems += [f'column "{c}" is there twice' for c in dict.fromkeys(columns) if columns.count(c) > 1]
    if problems:
        raise SheetsRefused([f"{name}, line 1: {'; '.join(problems)}. The header must be: {wanted}"])
    return columns


def _faults(row: Row, required: Sequence[str]) -> list[str]:
    faults = [f'column "{column}": empty.' for column in required if not row.cells[column]]
    # A control character would be invisible in a list of names, or move the cursor of whoever reads it.
    faults += [
        f'column "{column}": contains a control character.'
        for column, cell in row.cells.items()
        if any(unicodedata.category(character) == "Cc" for character in cell)
    ]
    return faults


def read_column(path: Path, column: str) -> list[str]:
    """The cells of a table with this one column, in order. Raises SheetsRefused as `read_table`."""
    return [row.cells[column] for row in read_table(path, required=(column,))]


def read_pairs(path: Path, first: str, second: str) -> list[tuple[str, str]]:
    """The rows of a table with these two columns, in order. Raises SheetsRefused as `read_table`."""
    return [(row.cells[first], row.cells[second]) for row in read_table(path, required=(first, second))]
