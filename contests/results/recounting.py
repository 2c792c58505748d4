"""Compute a result again from its export alone, and name everything in the file that does not agree.

Nothing here asks the database: whoever holds the file and this program can check a published result.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from typing import Any

from contests import decisions, signing
from contests.results.exporting import KIND, SEAL, VERSION, as_text
from contests.results.standings import fingerprint
from contests.scoring.ballots import count_ballots
from contests.scoring.errors import SheetsRefused
from contests.scoring.sheets import Score, ScoreTable
from contests.scoring.standing import Standing, rank
from contests.states import EntryState, HearingState
from contests.voting.running import COUNTED, SET_ASIDE, TAKEN_BACK

TOLERANCE = 1e-9
"""Linear algebra on another processor may differ in the last digits; places are decided by this too."""


class NoExport(Exception):
    """The file is no export at all; the sentence says what was found instead."""


@dataclass
class Recount:
    """What came out: the standing, entries by reference, whose key signed, and all that does not agree."""

    standing: Standing | None
    receipts: dict[str, str]
    key: str
    problems: list[str] = field(default_factory=list)


def recount(text: bytes) -> Recount:
    """Check an export and compute its standing anew. `problems` is empty when everything agrees.

    Raises NoExport for a file that is no export, or of a version that this program does not know.
    """
    content = _content(text)
    try:
        return _recount(content, text)
    except (KeyError, TypeError, ValueError, AttributeError, InvalidOperation) as exc:
        raise NoExport(
            f"The file says that it is a contest export, but part of it is missing or unreadable ({exc})."
        ) from exc


def _content(text: bytes) -> dict[str, Any]:
    try:
        content = json.loads(text)
    except (ValueError, RecursionError) as exc:
        raise NoExport("This is no contest export: it is not JSON in UTF-8.") from exc
    if not isinstance(content, dict) or content.get("kind") != KIND:
        raise NoExport("This is JSON, but no contest export.")
    if content.get("version") != VERSION:
        raise NoExport(f"This export is of version {content.get('version')}; known here is {VERSION}.")
    return content


def _recount(content: dict[str, Any], text: bytes) -> Recount:
    found = Recount(
        standing=None,
        receipts={entry["entry"]: entry["receipt"] for entry in content["entries"]},
        key=str(content.get(SEAL, {}).get("key", "")),
    )
    found.problems += _seal_problems(content, text)
    found.problems += _log_problems(content)
    found.problems += _sheet_problems(content)
    found.problems += _vote_problems(content)
    try:
        weights = {line["criterion"]: Decimal(line["weight"]) for line in content["rubric"]}
        found.standing = rank(ScoreTable(_counting_scores(content)), weights)
    except SheetsRefused as exc:
        found.problems += exc.problems
    else:
        # Through JSON and back, so that tuples and lists compare as the file keeps them.
        computed = json.loads(json.dumps(found.standing.as_json_dict()))
        found.problems += _differences(content["standing"], computed, "standing")
    return found


def _seal_problems(content: dict[str, Any], text: bytes) -> list[str]:
    problems = []
    if as_text(content).encode() != text:
        problems.append("The file is not written as an export is: something was inserted, removed or moved.")
    seal = content.get(SEAL, {})
    signed = as_text({name: part for name, part in content.items() if name != SEAL}).encode()
    if not signing.is_signed(signed, signature=seal.get("signature", ""), key=seal.get("key", "")):
        problems.append("The signature does not fit: the file was changed after the site wrote it.")
    return problems


def _log_problems(content: dict[str, Any]) -> list[str]:
    lines = content["decisions"]
    if (broken := decisions.first_broken(lines)) is not None:
        return [f"The decision log is broken at line {broken}: it does not follow from the line before."]
    decided = next((line for line in reversed(lines) if line["action"] == "result decided"), None)
    if decided is None:
        return ["The decision log has no line for the result."]
    problems = []
    places = {entry["receipt"]: entry["place"] for entry in content["entries"] if entry["place"] is not None}
    if decided["details"]["places"] != places:
        problems.append("The places of the entries are not those that the decision log recorded.")
    if decided["details"]["standing_sha256"] != fingerprint(content["standing"]):
        problems.append("The standing is not the one that the decision log recorded.")
    return problems


def _vote_problems(content: dict[str, Any]) -> list[str]:
    """A public vote counted anew from its ballots, and held against the decision log."""
    lines = [line for line in content["decisions"] if line["action"] == COUNTED]
    vote = content.get("vote")
    if vote is None:
        return ["The decision log has a public vote counted, and the file holds none."] if lines else []
    if not lines:
        return ["The file holds a public vote, and the decision log has none counted."]
    kept, said = vote["tally"], lines[-1]["details"]
    set_aside = {ballot["ballot"] for ballot in vote["ballots"] if ballot["set_aside"]}
    problems = []
    if said["tally_sha256"] != fingerprint(kept):
        problems.append("The tally of the public vote is not the one that the decision log recorded.")
    if said["ballots"] != len(vote["ballots"]) or _set_aside(content) != set_aside:
        problems.append("The ballots, or those set aside, are not those that the decision log recorded.")
    orders = {one["ballot"]: one["order"] for one in vote["ballots"] if not one["set_aside"]}
    entries = sorted((row["entry"] for row in kept["entries"]), key=int)
    try:
        computed = json.loads(json.dumps(count_ballots(orders, entries).as_json_dict()))
    except SheetsRefused as exc:
        return [*problems, *exc.problems]
    return problems + _differences(kept, computed, "public vote")


def _set_aside(content: dict[str, Any]) -> set[str]:
    """The ballots that the decision log leaves set aside in the end."""
    codes: set[str] = set()
    for line in content["decisions"]:
        if line["action"] == SET_ASIDE:
            codes |= set(line["details"]["ballots"])
        elif line["action"] == TAKEN_BACK:
            codes -= set(line["details"]["ballots"])
    return codes


def _sheet_problems(content: dict[str, Any]) -> list[str]:
    """Scores for what the rubric does not hold, or off their criterion’s scale."""
    scales = {
        line["criterion"]: (Decimal(line["lowest"]), Decimal(line["highest"])) for line in content["rubric"]
    }
    problems = []
    for hearing in content["hearings"]:
        for criterion, score in hearing["scores"].items():
            if criterion not in scales:
                problems.append(f"{_sheet(hearing)}: {criterion} is not in the rubric.")
            elif not scales[criterion][0] <= Decimal(score) <= scales[criterion][1]:
                problems.append(f"{_sheet(hearing)}: {score} for {criterion} is off the scale.")
    return problems


def _sheet(hearing: Mapping[str, Any]) -> str:
    return f"Round {hearing['round']}, judge {hearing['judge']}, entry {hearing['entry']}"


def _counting_scores(content: dict[str, Any]) -> tuple[Score, ...]:
    """The scores that count: of submitted sheets, about entries that stand."""
    standing = {entry["entry"] for entry in content["entries"] if entry["state"] == EntryState.READY}
    return tuple(
        Score(
            hearing["entry"], hearing["judge"], criterion, float(Decimal(score)), repeat=str(hearing["round"])
        )
        for hearing in content["hearings"]
        if hearing["state"] == HearingState.SUBMITTED and hearing["entry"] in standing
        for criterion, score in hearing["scores"].items()
    )


def _differences(kept: Any, computed: Any, where: str) -> list[str]:
    """Every place in which two standings differ, as a path and both values."""
    if isinstance(kept, dict) and isinstance(computed, dict) and kept.keys() == computed.keys():
        return [
            line for name in kept for line in _differences(kept[name], computed[name], f"{where} › {name}")
        ]
    if isinstance(kept, list) and isinstance(computed, list) and len(kept) == len(computed):
        pairs = enumerate(zip(kept, computed, strict=True), start=1)
        return [line for at, (one, other) in pairs for line in _differences(one, other, f"{where} › {at}")]
    if isinstance(kept, float) and isinstance(computed, float):
        same = math.isclose(kept, computed, rel_tol=TOLERANCE, abs_tol=TOLERANCE)
    else:
        same = type(kept) is type(computed) and kept == computed
    return [] if same else [f"{where}: the file says {kept}, the recount says {computed}."]
