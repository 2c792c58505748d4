"""One setting as an engineer would say it: `attack 15 ms`, `tone two o'clock`, `low shelf 60 Hz +1 dB`."""

from __future__ import annotations

import re

from academy.recall.bands import read_band, read_move
from academy.recall.chain import PAIRS, Choice, Quantity, Setting, Side, Switch, Value
from academy.recall.numbers import (
    ANY_CASE,
    NUMBER,
    POSITIONS,
    QUANTITY,
    RATIO_SAID,
    NotRead,
    plainer,
    quantity_of,
    quoted,
    require_printable,
)
from academy.recall.vocabulary import CHOICE_NAMES, EXPANSION, LAST_NAMES, RATIO, UNITS
from academy.recall.writing import write_clause

LONGEST_NAME = 60
LONGEST_REASON = 500
LONGEST_LINE = 1_000


def read_setting(phrase: str) -> Setting:
    """One line of a device as a setting. Raises NotRead with the sentence that helps.

    `name value`, perhaps ` -- reason` behind it; where the channels differ, one phrase each with `|` between.
    """
    if len(phrase) > LONGEST_LINE:
        raise NotRead(f"a line has {LONGEST_LINE:,} letters at most")
    said, reason = _parted(" ".join(phrase.split()))
    require_printable(said + reason)
    parts = [part.strip() for part in plainer(said).split("|")]
    if len(parts) == 1:
        side, clause = _sided(parts[0])
        name, value = _read_clause(clause)
        return _checked(Setting(name, ((side, value),), reason))
    if len(parts) > 2:
        raise NotRead("a setting differs between two channels at most: left and right, or mid and side")
    (first, clause), (second, other) = (_sided(part) for part in parts)
    if PAIRS.get(first) != second:
        raise NotRead(
            "begin the two parts with “left:” and “right:”, or with “mid:” and “side:”, in that order"
        )
    name, value = _read_clause(clause)
    other_name, other_value = _read_second(name, other)
    if other_name != name:
        raise NotRead(
            f"both parts have to be one setting, not {quoted(name)} and {quoted(other_name)}: write two lines"
        )
    return _checked(Setting(name, ((first, value), (second, other_value)), reason))


def _parted(said: str) -> tuple[str, str]:
    """What is set, and why: behind ` -- `, a long dash, or `, because `."""
    found = re.search(r" (?:--|—) |, because ", said)
    if not found:
        return said, ""
    reason = said[found.end() :].strip()
    if len(reason) > LONGEST_REASON:
        raise NotRead(f"a reason has {LONGEST_REASON} letters at most")
    return said[: found.start()].strip(), reason


def _sided(part: str) -> tuple[Side, str]:
    found = re.match(r"(left|right|mid|side) ?: ?", part, ANY_CASE)
    return (Side(found[1].lower()), part[found.end() :]) if found else (Side.BOTH, part)


def _read_second(name: str, clause: str) -> tuple[str, Value]:
    """The other channel's phrase; it may leave out the name."""
    try:
        return _read_clause(clause)
    except NotRead:
        return _read_clause(f"{name} {clause}")


def _read_clause(clause: str) -> tuple[str, Value]:
    if not clause:
        raise NotRead("a setting is missing")
    for reader in READERS:
        found = reader(clause)
        if found:
            return found
    raise NotRead(_advice(clause))


def _advice(clause: str) -> str:
    bare = re.fullmatch(rf"(?P<name>.*\D) (?P<number>{NUMBER})", clause)
    if bare:
        return (
            f"{quoted(clause)} has a number without a unit or a scale: write the unit behind it, as in "
            f"15 ms, or the scale, as in “{bare['name'][-LONGEST_NAME:]} {bare['number']} of 10”"
        )
    united = re.fullmatch(rf"(?P<name>.*?) ?{NUMBER} ?(?P<unit>[^\d\s]\S*)", clause)
    if united:
        known = ", ".join(unit for unit in UNITS)
        return f"{quoted(united['unit'])} is no unit that is known here; these are: {known}"
    return (
        f"{quoted(clause)} has no value that can be read: write a number with its unit (attack 15 ms), a "
        "position with its scale (drive 6 of 10, tone two o’clock, third step of five), on or off, or a "
        "choice behind a colon (mode: slow)"
    )


def _switch(clause: str) -> tuple[str, Value] | None:
    found = re.fullmatch(r"(?P<name>.+?) (?P<state>on|off)", clause, ANY_CASE)
    return (found["name"], Switch(found["state"].lower() == "on")) if found else None


def _ratio(clause: str) -> tuple[str, Value] | None:
    found = re.fullmatch(rf"(?:(?P<name>.+?) )?{RATIO_SAID}", clause, ANY_CASE)
    return (found["name"] or "ratio", quantity_of(found)) if found else None


def _position_said(clause: str) -> tuple[str, Value] | None:
    for pattern, reader in POSITIONS:
        found = re.fullmatch(rf"(?P<name>.+?)(?: at)? {pattern}", clause, ANY_CASE)
        if found:
            return found["name"], reader(found)
    return None


def _number_said(clause: str) -> tuple[str, Value] | None:
    found = re.fullmatch(rf"(?P<name>.+?) {QUANTITY}", clause, ANY_CASE)
    return (found["name"], quantity_of(found)) if found else None


def _turned_round(clause: str) -> tuple[str, Value] | None:
    """`15 ms attack`, for the names that are often said last."""
    found = re.fullmatch(rf"{QUANTITY} (?P<name>{'|'.join(LAST_NAMES)})", clause, ANY_CASE)
    return (found["name"], quantity_of(found)) if found else None


def _choice(clause: str) -> tuple[str, Value] | None:
    found = re.fullmatch(r"(?P<name>[^:]+?) ?: ?(?P<words>.+)", clause) or re.fullmatch(
        rf"(?P<name>{'|'.join(CHOICE_NAMES)}) (?P<words>\D.*)", clause, ANY_CASE
    )
    return (found["name"], Choice(found["words"])) if found else None


def _checked(setting: Setting) -> Setting:
    if len(setting.name) > LONGEST_NAME:
        raise NotRead(f"a setting’s name has {LONGEST_NAME} letters at most")
    for _, value in setting.values:
        clause = write_clause(setting.name, value)
        if _read_clause(clause) != (setting.name, value):
            raise NotRead(
                f"{quoted(clause)} can be read in two ways: use plain words for the name and for a choice, "
                "and leave a space before a value"
            )
        if isinstance(value, Choice) and len(value.words) > LONGEST_NAME:
            raise NotRead(f"a choice has {LONGEST_NAME} letters at most")
        if isinstance(value, Quantity) and value.unit in {RATIO, EXPANSION} and value.amount < 1:
            raise NotRead("a ratio is 1:1 or more")
    return setting


READERS = (read_move, read_band, _switch, _ratio, _position_said, _number_said, _turned_round, _choice)
"""Tried in this order: the first that knows the phrase has it."""
