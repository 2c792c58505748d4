"""Exports of a contest in which somebody altered one digit, and what a recount says of each."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any


def other_digit(text: str) -> str:
    """The text with its first digit another one, by which no score leaves its scale."""
    at = re.search(r"\d", text).start()
    return f"{text[:at]}{'5' if text[at] == '4' else '4'}{text[at + 1 :]}"


def a_score(content: dict[str, Any]) -> None:
    scores = next(one["scores"] for one in content["hearings"] if one["scores"])
    scores["Balance"] = other_digit(scores["Balance"])


def a_weight(content: dict[str, Any]) -> None:
    content["rubric"][0]["weight"] = other_digit(content["rubric"][0]["weight"])


def a_place(content: dict[str, Any]) -> None:
    entry = next(one for one in content["entries"] if one["place"] == 3)
    entry["place"] = 2


def a_line_of_the_log(content: dict[str, Any]) -> None:
    line = next(one for one in content["decisions"] if one["action"] == "judge dropped out")
    line["details"]["hearings"] += 1


def a_fingerprint(content: dict[str, Any]) -> None:
    content["entries"][0]["sha256"] = other_digit(content["entries"][0]["sha256"])


SIGNATURE = "The signature does not fit: the file was changed after the site wrote it."
ALTERATIONS: dict[str, tuple[Callable[[dict[str, Any]], None], str]] = {
    "a score": (a_score, "standing › "),
    "a weight": (a_weight, "standing › "),
    "a place": (a_place, "The places of the entries are not those that the decision log recorded."),
    "a line of the log": (a_line_of_the_log, "The decision log is broken at line "),
    "a fingerprint": (a_fingerprint, SIGNATURE),
}
"""What is altered in an export, and what a recount says of it beside the signature."""


def altered(export: Path, to: Path, alter: Callable[[dict[str, Any]], None]) -> Path:
    """A copy of the export in which one digit is another."""
    text = export.read_text()
    content = json.loads(text)
    alter(content)
    other = json.dumps(content, indent=1, ensure_ascii=False) + "\n"
    assert len(other) == len(text)
    assert sum(one != another for one, another in zip(text, other, strict=True)) == 1
    to.write_text(other)
    return to
