"""The settings of cues and regions (clauses 4.3 and 4.4)."""

from __future__ import annotations

import re

from academy.courses.webvtt.faults import Faults

_PERCENTAGE = r"(?:100(?:\.0+)?|[0-9]{1,2}(?:\.[0-9]+)?)%"
_CUE_VALUES = {
    "vertical": ("rl|lr", "rl or lr"),
    "line": (
        rf"(?:{_PERCENTAGE}|-?[0-9]+)(?:,(?:start|center|end))?",
        "a line number or a percentage, then perhaps ,start ,center or ,end",
    ),
    "position": (
        rf"{_PERCENTAGE}(?:,(?:line-left|center|line-right))?",
        "a percentage, then perhaps ,line-left ,center or ,line-right",
    ),
    "size": (_PERCENTAGE, "a percentage from 0% to 100%"),
    "align": ("start|center|end|left|right", "start, center, end, left or right"),
    "region": (r"\S+", "the id of a region"),
}
_REGION_VALUES = {
    "id": (r"\S+", "a name"),
    "width": (_PERCENTAGE, "a percentage from 0% to 100%"),
    "lines": ("[0-9]+", "a number of lines"),
    "regionanchor": (rf"{_PERCENTAGE},{_PERCENTAGE}", "two percentages, as in 0%,100%"),
    "viewportanchor": (rf"{_PERCENTAGE},{_PERCENTAGE}", "two percentages, as in 0%,100%"),
    "scroll": ("up", "up"),
}


def check_cue_settings(text: str, line: int, regions: set[str], faults: Faults) -> None:
    """Note what is wrong with what follows a cue's times. `regions` are the ids defined before."""
    region = _check(text, line, _CUE_VALUES, "a cue", faults).get("region")
    if region is not None and region not in regions:
        faults.add(line, f"there is no region “{region}” above. Define it before the first cue.")


def check_region(lines: list[str], first_line: int, regions: set[str], faults: Faults) -> None:
    """Note what is wrong with a region's settings, and add its id to `regions`."""
    seen: dict[str, str] = {}
    for number, text in enumerate(lines, start=first_line):
        seen |= _check(text, number, _REGION_VALUES, "a region", faults, earlier=seen)
    identifier = seen.get("id")
    if identifier is None:
        faults.add(first_line, "the region has no id, so no cue can name it. Write id: and a name.")
    elif identifier in regions:
        faults.add(first_line, f"there is a region “{identifier}” already. Ids are unique.")
    else:
        regions.add(identifier)


def _check(
    text: str,
    line: int,
    values: dict[str, tuple[str, str]],
    of_what: str,
    faults: Faults,
    earlier: dict[str, str] | None = None,
) -> dict[str, str]:
    found: dict[str, str] = {}
    for setting in re.split(r"[ \t]+", text.strip(" \t")) if text.strip(" \t") else []:
        name, colon, value = setting.partition(":")
        if not colon or name not in values:
            known = ", ".join(values)
            faults.add(line, f"“{setting[:40]}” is no setting of {of_what}. There are: {known}.")
        elif name in found or name in (earlier or {}):
            faults.add(line, f"{name} is set twice. Keep one.")
        elif not re.fullmatch(values[name][0], value):
            faults.add(line, f"“{setting[:40]}”: {name} wants {values[name][1]}.")
        else:
            found[name] = value
    return found
