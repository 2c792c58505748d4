"""Score sheets: the table of scores and weights, read, checked and brought to one total a hearing."""

import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import cached_property
from pathlib import Path

import numpy as np

from contests.scoring.csvtables import NUMBER, Row, read_table
from contests.scoring.errors import SheetsRefused
from contests.scoring.severity import Hearings
from contests.scoring.ties import Indices

SCORE_COLUMNS = ("entry", "judge", "criterion", "score")
WEIGHT_COLUMNS = ("criterion", "weight")

# Above this a float64 no longer keeps the 1e-9 by which ties are decided. No judge's scale comes near it.
LARGEST_SCORE = 1_000_000.0

Weights = Mapping[str, Decimal | float]


@dataclass(frozen=True)
class Score:
    """One number on one sheet. `repeat` tells several hearings of an entry by one judge apart."""

    entry: str
    judge: str
    criterion: str
    value: float
    repeat: str = ""


@dataclass(frozen=True)
class ScoreTable:
    """All scores of a round; refused at once if one is doubled, not finite, or off any scale.

    Names are sorted, so that the order of the rows can never matter.
    """

    scores: tuple[Score, ...]

    def __post_init__(self) -> None:
        problems = [] if self.scores else ["There are no scores."]
        seen: set[tuple[str, str, str, str]] = set()
        for score in self.scores:
            key = (score.entry, score.judge, score.criterion, score.repeat)
            if key in seen:
                problems.append(f"{_sheet_name(score)}: criterion {score.criterion} is scored twice.")
            seen.add(key)
            if not abs(score.value) <= LARGEST_SCORE:
                problems.append(f"{_sheet_name(score)}: {score.criterion} is not a usable score.")
        if problems:
            raise SheetsRefused(problems)

    @cached_property
    def entries(self) -> tuple[str, ...]:
        """Every entry's name, sorted."""
        return tuple(sorted({score.entry for score in self.scores}))

    @cached_property
    def judges(self) -> tuple[str, ...]:
        """Every judge's name, sorted."""
        return tuple(sorted({score.judge for score in self.scores}))

    @cached_property
    def criteria(self) -> tuple[str, ...]:
        """Every criterion's name, sorted."""
        return tuple(sorted({score.criterion for score in self.scores}))

    def of_entries(self, entries: Collection[str]) -> "ScoreTable":
        """The part of the table about `entries`; raises SheetsRefused if nothing is left."""
        wanted = set(entries)
        return ScoreTable(tuple(score for score in self.scores if score.entry in wanted))


def read_scores(path: Path) -> ScoreTable:
    """Read `entry,judge,criterion,score` (and `repeat`, if there) from a CSV file.

    Raises SheetsRefused, naming line and column, for what is not a usable score.
    """
    rows = read_table(path, required=SCORE_COLUMNS, optional=("repeat",))
    problems: list[str] = []
    scores: list[Score] = []
    first_line: dict[tuple[str, ...], int] = {}
    for row in rows:
        key = tuple(row.cells.get(column, "") for column in ("entry", "judge", "criterion", "repeat"))
        where = f"{path}, line {row.line}"
        if key in first_line:
            problems.append(
                f"{where}: the same entry, judge and criterion as line {first_line[key]}. "
                "If the judge heard the entry twice, tell the hearings apart in a column repeat."
            )
            continue
        first_line[key] = row.line
        try:
            value = _number(row, "score", path)
        except SheetsRefused as refusal:
            problems += refusal.problems
            continue
        if abs(value) > LARGEST_SCORE:
            problems.append(f'{where}, column "score": {row.cells["score"]} is beyond any scale of scores.')
            continue
        scores.append(Score(key[0], key[1], key[2], float(value), key[3]))
    if problems:
        raise SheetsRefused(problems)
    return ScoreTable(tuple(scores))


def read_weights(path: Path) -> dict[str, Decimal]:
    """Read `criterion,weight` from a CSV file. Raises SheetsRefused, naming line and column."""
    weights: dict[str, Decimal] = {}
    problems: list[str] = []
    for row in read_table(path, required=WEIGHT_COLUMNS):
        criterion = row.cells["criterion"]
        if criterion in weights:
            problems.append(f"{path}, line {row.line}: criterion {criterion} has a weight already.")
            continue
        try:
            weights[criterion] = _number(row, "weight", path)
        except SheetsRefused as refusal:
            problems += refusal.problems
    if problems:
        raise SheetsRefused(problems)
    return weights


def shares(table: ScoreTable, weights: Weights | None = None) -> dict[str, float]:
    """Each criterion's share of the total, summing to 1. Without weights all criteria count equally.

    Raises SheetsRefused for a criterion without a weight, a weight without scores, a weight that is negative
    or not a number, and weights that are all 0.
    """
    if weights is None:
        weights = dict.fromkeys(table.criteria, 1.0)
    problems = [
        f"Criterion {name} has scores and no weight." for name in table.criteria if name not in weights
    ]
    problems += [
        f"Criterion {name} has a weight and no scores." for name in weights if name not in table.criteria
    ]
    problems += [
        f"The weight of {name} must be a number, 0 or more; it is {weight}."
        for name, weight in weights.items()
        if not (math.isfinite(weight) and weight >= 0)
    ]
    if problems:
        raise SheetsRefused(problems)
    # Fractions, so that 30, 25, 45 per cent and 6, 5, 9 are the very same shares.
    exact = {name: Fraction(weight) for name, weight in weights.items()}
    whole = sum(exact.values())
    if not whole:
        raise SheetsRefused(["All weights are 0: nothing would count."])
    return {name: float(weight / whole) for name, weight in exact.items()}


def weighted_hearings(table: ScoreTable, share: Mapping[str, float]) -> Hearings:
    """One weighted total for each judge and entry; several hearings by one judge become their mean.

    `share` holds each criterion's share (see `shares`). A criterion with share 0 is not looked at.
    Raises SheetsRefused naming every sheet that lacks a criterion that counts: a total without it would be on
    another scale than the rest.
    """
    counting = {name: part for name, part in share.items() if part > 0}
    total: dict[tuple[str, str, str], float] = {}
    filled: dict[
        tuple[str, str, str], int
    ] = {}  # a table holds no criterion twice, so counting them is enough
    for score in table.scores:
        sheet = (score.entry, score.judge, score.repeat)
        part = counting.get(score.criterion)
        total[sheet] = total.get(sheet, 0.0) + (0.0 if part is None else part * score.value)
        filled[sheet] = filled.get(sheet, 0) + (part is not None)
    short = {sheet for sheet, number in filled.items() if number < len(counting)}
    if short:
        raise SheetsRefused(_lacking(table, short, counting))

    by_pair: dict[tuple[str, str], list[float]] = {}
    for (entry, judge, _), value in total.items():
        by_pair.setdefault((entry, judge), []).append(value)
    entry_number = {name: number for number, name in enumerate(table.entries)}
    judge_number = {name: number for number, name in enumerate(table.judges)}
    pairs = sorted(by_pair)
    return Hearings(
        entry_index=_indices(entry_number[entry] for entry, _ in pairs),
        judge_index=_indices(judge_number[judge] for _, judge in pairs),
        total=np.array([math.fsum(by_pair[pair]) / len(by_pair[pair]) for pair in pairs]),
        n_entries=len(table.entries),
        n_judges=len(table.judges),
    )


def _lacking(
    table: ScoreTable, short: Collection[tuple[str, str, str]], counting: Collection[str]
) -> list[str]:
    """A sentence for each of the sheets `short`, which lack a criterion that counts."""
    present: dict[tuple[str, str, str], set[str]] = {sheet: set() for sheet in short}
    for score in table.scores:
        sheet = (score.entry, score.judge, score.repeat)
        if sheet in present:
            present[sheet].add(score.criterion)
    problems = []
    for (entry, judge, repeat), named in sorted(present.items()):
        lacking = ", ".join(sorted(set(counting) - named))
        again = f" (repeat {repeat})" if repeat else ""
        problems.append(f"Judge {judge}, entry {entry}{again}: the sheet lacks {lacking}.")
    return problems


def _indices(numbers: Iterable[int]) -> Indices:
    return np.fromiter(numbers, dtype=np.intp)


def _number(row: Row, column: str, path: Path) -> Decimal:
    cell = row.cells[column]
    if not NUMBER.fullmatch(cell):
        hint = " Write the decimal point as a point." if "," in cell else ""
        raise SheetsRefused(
            [f'{path}, line {row.line}, column "{column}": "{cell[:40]}" is not a number.{hint}']
        )
    return Decimal(cell)


def _sheet_name(score: Score) -> str:
    again = f" (repeat {score.repeat})" if score.repeat else ""
    return f"Judge {score.judge}, entry {score.entry}{again}"
