"""Compute a result again from its export alone, and name everything in the file that does not agree.

Nothing here asks the database: whoever holds the file and this program can check a published result.
"""

from __future__ import annotations

import json
import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from typing import Any

from contests import decisions, signing
from contests.models import RoundKind
from contests.results import listened
from contests.results.exporting import KIND, SEAL, VERSION, as_text
from contests.results.standings import fingerprint
from contests.scoring.ballots import count_ballots
from contests.scoring.errors import SheetsRefused
from contests.scoring.rounds import RoundSheets, rank_rounds, repeat_of
from contests.scoring.sheets import Score
from contests.scoring.sorting import Verdict, sorting_scores
from contests.scoring.standing import Standing
from contests.states import HEARD, EntryState, HearingState
from contests.voting.running import COUNTED, SET_ASIDE, TAKEN_BACK

TOLERANCE = 1e-9
"""Linear algebra on another processor may differ in the last digits; places are decided by this too."""

READABLE = (1, VERSION)
"""Version 1 knew one kind of round only, and no repeats."""


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
    if content.get("version") not in READABLE:
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
        found.standing = rank_rounds(_rounds(content), weights)
    except SheetsRefused as exc:
        found.problems += exc.problems
        return found
    if found.standing is None:
        found.problems.append("There are no scores.")
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
    problems += _cut_problems(content)
    if decided["details"]["standing_sha256"] != fingerprint(content["standing"]):
        problems.append("The standing is not the one that the decision log recorded.")
    # Results that were decided before listening was recorded have no fingerprint of it.
    recorded = decided["details"].get(listened.RECORDED)
    if recorded is not None and recorded != listened.fingerprint(content["hearings"]):
        problems.append("How the judges listened is not what the decision log recorded.")
    return problems


def _cut_problems(content: dict[str, Any]) -> list[str]:
    """Cut lines that are not those by which the log says that the next round was filled."""
    line_of = {one["round"]: one["goes_on"] for one in content.get("rounds", [])}
    problems = []
    for line in content["decisions"]:
        details = line["details"]
        before = details.get("round", 0) - 1 if "cut" in details else None
        if before is not None and line_of.get(before) != details["cut"]["line"]:
            problems.append(f"The cut line of round {before} is not the one that the decision log recorded.")
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
    """Scores for what the rubric does not hold, or off their criterion’s scale; verdicts that are none."""
    scales = {
        line["criterion"]: (Decimal(line["lowest"]), Decimal(line["highest"])) for line in content["rubric"]
    }
    problems = []
    sorting = _sorting_rounds(content)
    for hearing in content["hearings"]:
        is_submitted = hearing["state"] == HearingState.SUBMITTED
        verdict = hearing.get("verdict")
        if is_submitted and hearing["round"] in sorting and verdict not in list(Verdict):
            problems.append(f"{_sheet(hearing)}: {verdict} is no verdict.")
        for criterion, score in hearing["scores"].items():
            if criterion not in scales:
                problems.append(f"{_sheet(hearing)}: {criterion} is not in the rubric.")
            elif not scales[criterion][0] <= Decimal(score) <= scales[criterion][1]:
                problems.append(f"{_sheet(hearing)}: {score} for {criterion} is off the scale.")
    return problems


def _sheet(hearing: Mapping[str, Any]) -> str:
    return f"Round {hearing['round']}, judge {hearing['judge']}, entry {hearing['entry']}"


def _sorting_rounds(content: dict[str, Any]) -> set[int]:
    return {one["round"] for one in content.get("rounds", []) if one["kind"] == RoundKind.SORTING}


def _rounds(content: dict[str, Any]) -> list[RoundSheets]:
    """What every round says: of submitted sheets, about entries that stand and anchors from outside."""
    state_of = {entry["entry"]: entry["state"] for entry in content["entries"]}
    sorting = _sorting_rounds(content)
    scores: defaultdict[int, list[Score]] = defaultdict(list)
    pools: defaultdict[int, set[str]] = defaultdict(set)
    for hearing in content["hearings"]:
        number, entry, judge = hearing["round"], hearing["entry"], hearing["judge"]
        if state_of[entry] == EntryState.READY:
            pools[number].add(entry)
        if hearing["state"] != HearingState.SUBMITTED or state_of[entry] not in HEARD:
            continue
        repeat = repeat_of(number, hearing.get("repeat", 0))
        if number in sorting:
            if hearing["verdict"] in list(Verdict):
                scores[number] += sorting_scores([(entry, judge, hearing["verdict"], repeat)])
        else:
            scores[number] += [
                Score(entry, judge, criterion, float(Decimal(score)), repeat)
                for criterion, score in hearing["scores"].items()
            ]
    return [
        RoundSheets(number, number in sorting, tuple(scores[number]), frozenset(pools[number]))
        for number in sorted(pools)
    ]


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
