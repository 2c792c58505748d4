"""What sealed sheets say, read from the rows: which of them count now, and every score on them.

A sealed sheet never changes, so its scores may be kept from one reading to the next (`kept`). Whether it
counts may change, so that is read each time: entries are disqualified and reinstated, hearings fall away.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from django.db.models import CharField, FloatField, QuerySet
from django.db.models.functions import Cast
from numpy.typing import NDArray

from contests.models import Assignment, Contest, RoundKind, Score
from contests.scoring.columns import NameColumn
from contests.scoring.rounds import repeat_of
from contests.scoring.sheets import ScoreColumns
from contests.scoring.ties import Floats, Indices
from contests.states import HEARD, HearingState

SHEETS_NAMED_AT_ONCE = 500
"""So many sheets are asked for by their keys; for more it is quicker to read a contest's whole."""

DECIMALS = 2  # of a score, as its column has

_COUNTING = np.dtype(
    [
        ("sheet", np.intp),
        ("sealed", "S32"),
        *((name, np.intp) for name in ("round", "repeat", "entry", "judge")),
    ]
)
_SCORE = np.dtype([("sheet", np.intp), ("criterion", np.intp), ("value", np.float64)])


@dataclass(frozen=True, eq=False)
class CountingSheets:
    """The sealed sheets that count now, in the order of their primary keys `sheet`; all arrays (n_sheets,).

    `sealed` is when each was sealed, as the database writes it. Together with the key it tells a sheet from
    any other that ever had this key, as after a backup was restored. `round` holds numbers of rounds,
    `repeat` those of hidden repeats, `entry` and `judge` primary keys.
    """

    sheet: Indices
    sealed: NDArray[np.bytes_]
    round: Indices
    repeat: Indices
    entry: Indices
    judge: Indices

    def rows(self, chosen: NDArray[np.bool_]) -> CountingSheets:
        """Those where `chosen` (n_sheets,) is true."""
        return CountingSheets(**{name: column[chosen] for name, column in vars(self).items()})


ScoresOf = Callable[[Contest, CountingSheets, Sequence[int]], Floats]
"""Gives the scores on sheets of a contest by the primary keys of its criteria, shape (n_sheets, n_criteria).

NaN where a sheet has none.
"""


def counting(contest: Contest) -> QuerySet[Assignment]:
    """Hearings whose sheets count: submitted, about entries that are heard and still stand."""
    return Assignment.objects.filter(
        round__contest=contest,
        state=HearingState.SUBMITTED,
        sheet__submitted_at__isnull=False,
        entry__state__in=HEARD,
    )


def counting_sheets(contest: Contest) -> CountingSheets:
    """The sheets of all scored rounds that count."""
    rows = (
        counting(contest)
        .filter(round__kind=RoundKind.SCORES)
        .order_by("sheet")
        .values_list(
            "sheet",
            Cast(
                "sheet__submitted_at", CharField()
            ),  # to make a moment of each would take longer than the rest
            "round__number",
            "repeat",
            "entry",
            "judge",
        )
    )
    found = np.fromiter(rows, _COUNTING)
    return CountingSheets(**{name: found[name].copy() for name in _COUNTING.names})


def scores_from_rows(contest: Contest, sheets: CountingSheets, criteria: Sequence[int]) -> Floats:
    """Every score on the sheets, from the database (see `ScoresOf`)."""
    asked = Score.objects.filter(criterion__in=criteria)
    if sheets.sheet.size > SHEETS_NAMED_AT_ONCE:
        asked = asked.filter(sheet__assignment__round__contest=contest, sheet__submitted_at__isnull=False)
    else:
        asked = asked.filter(sheet__in=sheets.sheet.tolist())
    rows = asked.order_by().values_list("sheet", "criterion", Cast("value", FloatField()))
    found = np.fromiter(rows, _SCORE)
    found = found[np.isin(found["sheet"], sheets.sheet)]
    by_key = np.argsort(criteria)
    column = by_key[np.searchsorted(criteria, found["criterion"], sorter=by_key)]
    value = np.full((sheets.sheet.size, len(criteria)), np.nan)
    # Rounded, so that every database gives the float that is nearest to the decimal number that was typed.
    value[np.searchsorted(sheets.sheet, found["sheet"]), column] = np.round(found["value"], DECIMALS)
    return value


def scores_by_round(contest: Contest, scores_of: ScoresOf) -> dict[int, ScoreColumns]:
    """Every score that counts by the number of its round, entries and judges by their keys as text."""
    criteria = dict(contest.criteria.order_by("pk").values_list("pk", "name"))
    sheets = counting_sheets(contest)
    value = scores_of(contest, sheets, list(criteria))
    found = {}
    for number in np.unique(sheets.round).tolist():
        own = sheets.round == number
        found[number] = _columns(sheets.rows(own), value[own], list(criteria.values()))
    return found


def _columns(sheets: CountingSheets, value: Floats, criteria: Sequence[str]) -> ScoreColumns:
    """The scores on sheets of one round; `value` has shape (n_sheets, n_criteria)."""
    number, n_sheets = int(sheets.round[0]), sheets.sheet.size
    return ScoreColumns(
        entry=NameColumn.of_keys(sheets.entry).each(len(criteria)),
        judge=NameColumn.of_keys(sheets.judge).each(len(criteria)),
        criterion=NameColumn.of(criteria).all(n_sheets),
        repeat=NameColumn.of_keys(sheets.repeat, lambda again: repeat_of(number, again)).each(len(criteria)),
        value=value.ravel(),
    ).rows(~np.isnan(value.ravel()))
