"""Read a list of members, as CSV from a spreadsheet's hand: every row is taken or named with its line."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.utils.dateparse import parse_date, parse_datetime

from academy.members.models import Tier
from academy.moments import site_zone, start_of_day

COLUMNS = {
    "email": "the address to sign in with; the one column that must be there",
    "name": "what the person is called; needed for who has no account yet",
    "tier": "the short name of the tier to give; empty for an account alone",
    "starts": "2031-03-14, from its first second by the site’s clocks, or a time with its offset; else now",
    "ends": "2032-03-14, to its last second by the site’s clocks, or a time with its offset; else no end",
}
LARGEST_BYTES = 2 * 1024 * 1024
SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}
BYTE_ORDER_MARKS = (b"\xff\xfe", b"\xfe\xff")
LONGEST_NAME, LONGEST_ADDRESS = 100, 254


class ListRefused(Exception):
    """A file that is no list of members at all; the sentence says what it is and what to do."""


@dataclass(frozen=True)
class Trouble:
    """Why a row is refused: a short code for programs, and a sentence."""

    code: str
    words: str


@dataclass(frozen=True)
class Line:
    """One row as it was meant, with the number of its line in the file; or why it cannot be taken."""

    number: int
    email: str
    name: str = ""
    tier: Tier | None = None
    starts_at: datetime | None = None
    ends_at: datetime | None = None
    trouble: Trouble | None = None


class _RowRefused(Exception):
    def __init__(self, code: str, words: str) -> None:
        self.trouble = Trouble(code, words)
        super().__init__(words)


def text_of(content: bytes) -> str:
    """The file's text: UTF-8, with or without a byte order mark. Raises ListRefused for anything else."""
    if len(content) > LARGEST_BYTES:
        raise ListRefused(
            f"The file is larger than {LARGEST_BYTES // 1024**2} MiB. Split it and import the parts."
        )
    if content.startswith(BYTE_ORDER_MARKS) or content[:200].count(0) > len(content[:200]) // 4:
        raise ListRefused("The file is in UTF-16. Save it as CSV in UTF-8 and try again.")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        line = content[: exc.start].count(b"\n") + 1
        raise ListRefused(
            f"The file is not in UTF-8: line {line} holds a byte of Latin-1 or another single-byte encoding. "
            "Save it as CSV in UTF-8 and try again."
        ) from exc
    if "\0" in text:
        raise ListRefused("The file is no text. Save it as CSV in UTF-8 and try again.")
    return text


def lines_of(text: str, tiers: Mapping[str, Tier], *, now: datetime) -> list[Line]:
    """Every row of the list, taken or in trouble. Empty lines are passed over.

    Raises ListRefused for a file without the header, without rows, or with broken quotes.
    """
    first = text.partition("\n")[0]
    separator = max(SEPARATORS, key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    try:
        header = _header(next(reader, []), separator)
        lines = list(_lines(reader, header, tiers, now))
    except csv.Error as exc:
        raise ListRefused(
            f"Line {reader.line_num}: the quotes do not match ({exc}). Export the file again as CSV."
        ) from exc
    if not lines:
        raise ListRefused("The file has its header and no rows. There is nothing to import.")
    return lines


def _header(cells: list[str], separator: str) -> list[str]:
    names = [cell.strip().lower() for cell in cells]
    if "email" not in names:
        raise ListRefused(
            f"Line 1 must name the columns, with “email” among them: {', '.join(COLUMNS)}. "
            f"It holds: {', '.join(filter(None, names))[:200] or 'nothing'}."
        )
    unknown = [name for name in names if name not in COLUMNS]
    if unknown:
        raise ListRefused(
            f"Line 1: no column is called {', '.join(f'“{name}”' for name in unknown)[:200]}. The columns: "
            f"{', '.join(COLUMNS)}, between {SEPARATORS[separator]}."
        )
    if len(set(names)) != len(names):
        raise ListRefused("Line 1 names a column twice.")
    return names


def _lines(
    reader: Iterator[list[str]], header: list[str], tiers: Mapping[str, Tier], now: datetime
) -> Iterator[Line]:
    seen: dict[tuple[str, str], int] = {}
    number = reader.line_num + 1  # type: ignore[attr-defined]  # csv's readers have it
    for cells in reader:
        if any(cell.strip() for cell in cells):
            yield _line(number, cells, header, tiers, seen, now)
        number = reader.line_num + 1  # type: ignore[attr-defined]  # a quoted cell may span lines


def _line(
    number: int,
    cells: list[str],
    header: list[str],
    tiers: Mapping[str, Tier],
    seen: dict[tuple[str, str], int],
    now: datetime,
) -> Line:
    said = {name: cell.strip() for name, cell in zip(header, cells, strict=False)}
    email = said.get("email", "").lower()
    try:
        if len(cells) != len(header):
            raise _RowRefused("columns", f"{len(cells)} cells, but the header names {len(header)} columns.")
        _check_email(email)
        tier = _tier(said.get("tier", ""), tiers)
        key = (email, tier.slug if tier else "")
        if key in seen:
            raise _RowRefused("duplicate", f"The same address and tier stand in line {seen[key]} already.")
        seen[key] = number
        name = said.get("name", "")
        if len(name) > LONGEST_NAME:
            raise _RowRefused("name", f"The name is longer than {LONGEST_NAME} characters.")
        starts_at, ends_at = _dates(said, now)
    except _RowRefused as exc:
        return Line(number, email, said.get("name", ""), trouble=exc.trouble)
    return Line(number, email, name, tier, starts_at, ends_at)


def _check_email(email: str) -> None:
    if not email:
        raise _RowRefused("email", "There is no address.")
    try:
        validate_email(email)
    except ValidationError as exc:
        raise _RowRefused("email", f"“{email[:100]}” is no e-mail address.") from exc
    if len(email) > LONGEST_ADDRESS:
        raise _RowRefused("email", f"The address is longer than {LONGEST_ADDRESS} characters.")


def _tier(slug: str, tiers: Mapping[str, Tier]) -> Tier | None:
    if not slug:
        return None
    found = tiers.get(slug) or {name.lower(): tier for name, tier in tiers.items()}.get(slug.lower())
    if found is None:
        known = ", ".join(tiers) or "none yet"
        raise _RowRefused("tier", f"There is no tier “{slug[:60]}”. The tiers: {known}.")
    return found


def _dates(said: Mapping[str, str], now: datetime) -> tuple[datetime, datetime | None]:
    starts_at = _moment(said.get("starts", ""), "starts", end_of_day=False) or now
    ends_at = _moment(said.get("ends", ""), "ends", end_of_day=True)
    if ends_at is not None and ends_at <= starts_at:
        raise _RowRefused("dates", "The end is not after the start.")
    return starts_at, ends_at


def _moment(text: str, column: str, *, end_of_day: bool) -> datetime | None:
    """A day's first moment or the first one after it, by the site's clocks, or a time with its offset.

    None for nothing.
    """
    if not text:
        return None
    try:
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}", text, re.ASCII) and (day := parse_date(text)):
            return start_of_day(day + timedelta(days=end_of_day), site_zone())
        at = parse_datetime(text)
        if at is not None and at.tzinfo is not None:
            return at.astimezone(UTC)
    except (ValueError, OverflowError):
        pass
    raise _RowRefused(
        "dates",
        f"“{text[:40]}” in “{column}” is no date such as 2031-03-14, and no time with its offset such as "
        "2031-03-14T18:00+01:00.",
    )
