"""Score sheets: the table of scores and weights, read, checked and brought to one total a hearing."""

import math
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from contests.scoring.columns import NameColumn
from contests.scoring.csvtables import NUMBER, Row, read_table
from contests.scoring.errors import SheetsRefused
from contests.scoring.severity import Hearings
from contests.scoring.ties import Floats, Indices

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


@dataclass(frozen=True, eq=False)
class ScoreColumns:
    """Scores as columns, a row a score. At thousands of sheets an object for each takes longer than the fit.

    `value` has shape (n_scores,), as have the numbers in the other columns.
    """

    entry: NameColumn
    judge: NameColumn
    criterion: NameColumn
    repeat: NameColumn
    value: Floats

    @classmethod
    def of(cls, scores: Sequence[Score]) -> "ScoreColumns":
        """The same scores in the same order; empty in, empty out."""
        return cls(
            entry=NameColumn.of([score.entry for score in scores]),
            judge=NameColumn.of([score.judge for score in scores]),
            criterion=NameColumn.of([score.criterion for score in scores]),
            repeat=NameColumn.of([score.repeat for score in scores]),
            value=np.array([score.value for score in scores], dtype=np.float64),
        )

    @classmethod
    def joined(cls, parts: "Sequence[ScoreColumns]") -> "ScoreColumns":
        """The rows of all parts, one part under the other; at least one part."""
        return cls(
            entry=NameColumn.joined([part.entry for part in parts]),
            judge=NameColumn.joined([part.judge for part in parts]),
            criterion=NameColumn.joined([part.criterion for part in parts]),
            repeat=NameColumn.joined([part.repeat for part in parts]),
            value=np.concatenate([part.value for part in parts]),
        )

    def __len__(self) -> int:
        return self.value.size

    def __iter__(self) -> Iterator[Score]:
        for entry, judge, criterion, value, repeat in zip(
            self.entry.number.tolist(),
            self.judge.number.tolist(),
            self.criterion.number.tolist(),
            self.value.tolist(),
            self.repeat.number.tolist(),
            strict=True,
        ):
            yield Score(
                self.entry.names[entry],
                self.judge.names[judge],
                self.criterion.names[criterion],
                value,
                self.repeat.names[repeat],
            )

    def rows(self, chosen: NDArray[np.bool_]) -> "ScoreColumns":
        """The scores where `chosen` (n_scores,) is true."""
        return ScoreColumns(
            entry=self.entry.rows(chosen),
            judge=self.judge.rows(chosen),
            criterion=self.criterion.rows(chosen),
            repeat=self.repeat.rows(chosen),
            value=self.value[chosen],
        )


Scores = Sequence[Score] | ScoreColumns
"""Scores one by one, as they are written by hand, or in columns, as thousands of sheets are read."""


def in_columns(scores: Scores) -> ScoreColumns:
    """The scores as columns, whichever way they come."""
    return scores if isinstance(scores, ScoreColumns) else ScoreColumns.of(scores)


class ScoreTable:
    """All scores of a round; refused at once if one is doubled, not finite, or off any scale.

    Names are sorted, so that the order of the rows can never matter.
    """

    def __init__(self, scores: Scores) -> None:
        """Take the scores. Raises SheetsRefused naming each that cannot be used, or that there are none."""
        self.columns = in_columns(scores)
        _, sheet = self.sheets
        times = np.bincount(sheet * len(self.criteria) + self.columns.criterion.number, minlength=1)
        is_usable = np.abs(self.columns.value) <= LARGEST_SCORE
        if not len(self.columns) or times.max() > 1 or not is_usable.all():
            raise SheetsRefused(_table_problems(self.columns))

    @cached_property
    def scores(self) -> tuple[Score, ...]:
        """Every score as an object, in the order in which they were given."""
        return tuple(self.columns)

    @property
    def entries(self) -> tuple[str, ...]:
        """Every entry's name, sorted."""
        return self.columns.entry.names

    @property
    def judges(self) -> tuple[str, ...]:
        """Every judge's name, sorted."""
        return self.columns.judge.names

    @property
    def criteria(self) -> tuple[str, ...]:
        """Every criterion's name, sorted."""
        return self.columns.criterion.names

    @cached_property
    def sheets(self) -> tuple[Indices, Indices]:
        """The sheets, and which of them each score is on, shape (n_scores,).

        A sheet is one whole number made of those of its entry, its judge and its repeat, in this order of
        weight; they come in ascending order, shape (n_sheets,).
        """
        columns = self.columns
        pair = columns.entry.number * len(self.judges) + columns.judge.number
        sheets, number = np.unique(
            pair * len(columns.repeat.names) + columns.repeat.number, return_inverse=True
        )
        return sheets, number

    def of_entries(self, entries: Collection[str]) -> "ScoreTable":
        """The part of the table about `entries`; raises SheetsRefused if nothing is left."""
        wanted = frozenset(entries)
        is_wanted = np.array([name in wanted for name in self.entries], dtype=bool)
        return ScoreTable(self.columns.rows(is_wanted[self.columns.entry.number]))


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
    columns = table.columns
    sheets, sheet = table.sheets
    part = np.array([share.get(name, 0.0) for name in table.criteria])
    counting = {name for name, own in share.items() if own > 0}
    # A table holds no criterion twice on a sheet, so counting them is enough.
    filled = np.bincount(sheet, weights=(part > 0)[columns.criterion.number])
    is_short = filled < len(counting)
    if is_short.any():
        raise SheetsRefused(_lacking(columns.rows(is_short[sheet]), counting))

    total = np.bincount(sheet, weights=part[columns.criterion.number] * columns.value)
    pair, first, times = np.unique(sheets // len(columns.repeat.names), return_index=True, return_counts=True)
    entry_index, judge_index = np.divmod(pair, len(table.judges))
    mean = np.add.reduceat(total, first) / times
    # Of more than two the plain sum's last digit would hang on their order.
    for at in np.flatnonzero(times > 2):
        mean[at] = math.fsum(total[first[at] : first[at] + times[at]]) / times[at]
    return Hearings(
        entry_index=entry_index,
        judge_index=judge_index,
        total=mean,
        n_entries=len(table.entries),
        n_judges=len(table.judges),
    )


def _table_problems(scores: Iterable[Score]) -> list[str]:
    """A sentence for each score that cannot be used; one sentence where there are none."""
    problems: list[str] = []
    seen: set[tuple[str, str, str, str]] = set()
    for score in scores:
        key = (score.entry, score.judge, score.criterion, score.repeat)
        if key in seen:
            problems.append(f"{_sheet_name(score)}: criterion {score.criterion} is scored twice.")
        seen.add(key)
        if not abs(score.value) <= LARGEST_SCORE:
            problems.append(f"{_sheet_name(score)}: {score.criterion} is not a usable score.")
    return problems if seen else ["There are no scores."]


def _lacking(scores: Iterable[Score], counting: Collection[str]) -> list[str]:
    """A sentence for each sheet in `scores`, all of which lack a criterion that counts."""
    present: dict[tuple[str, str, str], set[str]] = {}
    for score in scores:
        present.setdefault((score.entry, score.judge, score.repeat), set()).add(score.criterion)
    problems = []
    for (entry, judge, repeat), named in sorted(present.items()):
        lacking = ", ".join(sorted(set(counting) - named))
        again = f" (repeat {repeat})" if repeat else ""
        problems.append(f"Judge {judge}, entry {entry}{again}: the sheet lacks {lacking}.")
    return problems


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
