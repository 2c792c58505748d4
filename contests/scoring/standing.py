"""The standing: places, what they rest on, and how far they can be trusted."""

import dataclasses
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from contests.scoring.agreement import alpha_interval, intraclass_correlation, kendall_w
from contests.scoring.columns import values_or_none
from contests.scoring.severity import Hearings, SeverityFit, fit_severity
from contests.scoring.sheets import ScoreTable, Weights, shares, weighted_hearings
from contests.scoring.simultaneous import could_be_first, tied_with_first
from contests.scoring.tiebreaks import TieBreak, break_tie, ladder_of
from contests.scoring.ties import Indices, places
from contests.scoring.variance import VarianceTable, variance_table

METHOD = "additive least squares: total = entry + judge, the judges' effects summing to 0"
NO_JOINT_RANKING = "; no joint ranking: common entries do not link all judges"


@dataclass(frozen=True)
class EntryRow:
    """One entry. Scores are on the scale of the sheets; `hearings` counts judges, never a judge's repeats.

    `place` is shared by equals (1, 2, 2, 4) and is None where no joint ranking exists. `tied_with_first` and
    `could_be_first` are None where no standard error exists, except that the first is always both.
    """

    entry: str
    place: int | None
    tied_with_first: bool | None
    could_be_first: bool | None
    raw_mean: float
    adjusted: float
    standard_error: float | None
    hearings: int
    component: int


@dataclass(frozen=True)
class JudgeRow:
    """One judge. `effect` is what the judge adds to a total, `severity` the same seen as strictness: −effect.

    `hearings` counts entries. `spread` is the standard deviation of the judge's totals, None below two.
    """

    judge: str
    severity: float
    hearings: int
    effect: float
    standard_error: float | None
    spread: float | None
    component: int


@dataclass(frozen=True)
class Summary:
    """What the whole standing rests on; None marks what is not defined for these hearings.

    `alpha_interval` is of the totals as given, `alpha_interval_adjusted` of the same less the judges'
    effects; as the effects were fitted to these very totals, the second flatters a little.
    """

    connected: bool
    components: int
    degrees_of_freedom: int
    residual_sd: float | None
    kendall_w: float | None
    icc_agreement: float | None
    icc_consistency: float | None
    alpha_interval: float | None
    alpha_interval_adjusted: float | None
    method: str


@dataclass(frozen=True)
class Standing:
    """Entries best first, judges by name, and their summary.

    `ties` reports the tie-break ladder for each shared place; places themselves stay shared, for the ladder's
    last steps are the host's. When the hearings fall into components, `separate` holds one standing for each,
    `variance` is None, and the rows here are listed component by component, without a place.
    """

    entries: tuple[EntryRow, ...]
    judges: tuple[JudgeRow, ...]
    summary: Summary
    ties: tuple[TieBreak, ...]
    variance: VarianceTable | None
    separate: tuple["Standing", ...]

    def as_json_dict(self) -> dict[str, Any]:
        """The same as plain dicts, tuples, strings and finite numbers; None for what is not defined."""
        found = {one.name: getattr(self, one.name) for one in dataclasses.fields(self)}
        # Rows hold plain values alone, so that their own dicts say all. `asdict` looks into every number of
        # every row, which at thousands of entries takes longer than the fit.
        return found | {
            "entries": tuple(dict(vars(row)) for row in self.entries),
            "judges": tuple(dict(vars(row)) for row in self.judges),
            "summary": dataclasses.asdict(self.summary),
            "ties": tuple(dataclasses.asdict(tie) for tie in self.ties),
            "variance": None if self.variance is None else dataclasses.asdict(self.variance),
            "separate": tuple(part.as_json_dict() for part in self.separate),
        }


def rank(
    scores: ScoreTable, weights: Weights | None = None, *, among: Collection[str] | None = None
) -> Standing:
    """Rank a round's entries by their weighted totals, adjusted for their judges' severity.

    Parameters
    ----------
    scores : ScoreTable
        Every sheet complete in the criteria that count. A judge's repeats are averaged before anything else.
    weights : mapping of criterion to weight, optional
        Any positive scale; without it all criteria count equally.
    among : names of entries, optional
        Only these are placed and compared. The others count in the fit, where they tell how severe each judge
        is: anchors outside the prize list, or entries of an earlier round. Names without a score are passed
        over; with none left there are no rows.

    Returns
    -------
    Standing
        With places only if common entries link all judges: else the separate standings of the components.

    Raises
    ------
    SheetsRefused
        A sheet is incomplete, or weights and criteria do not fit together.
    """
    share = shares(scores, weights)
    hearings = weighted_hearings(scores, share)
    fit = fit_severity(hearings)
    placed = set(scores.entries if among is None else among)
    if fit.connected:
        return _joint_standing(scores, share, hearings, fit, placed, component=1)

    separate = []
    for component in range(fit.components):
        members = [scores.entries[entry] for entry in np.flatnonzero(fit.component_of_entry == component)]
        part = scores.of_entries(members)
        part_hearings = weighted_hearings(part, share)
        part_fit = fit_severity(part_hearings)
        separate.append(
            _joint_standing(part, share, part_hearings, part_fit, placed, component=component + 1)
        )
    return Standing(
        entries=tuple(
            dataclasses.replace(row, place=None, tied_with_first=None, could_be_first=None)
            for standing in separate
            for row in standing.entries
        ),
        judges=tuple(
            sorted((row for standing in separate for row in standing.judges), key=lambda r: r.judge)
        ),
        summary=_summary(hearings, fit),
        ties=(),
        variance=None,
        separate=tuple(separate),
    )


def _joint_standing(
    table: ScoreTable,
    share: Mapping[str, float],
    hearings: Hearings,
    fit: SeverityFit,
    placed: Collection[str],
    *,
    component: int,
) -> Standing:
    numbers: Indices = np.array([at for at, name in enumerate(table.entries) if name in placed], np.intp)
    place = places(fit.adjusted[numbers])
    ladder = ladder_of(table, share, hearings, fit)
    distinct, holders = np.unique(place, return_counts=True)
    ties = [
        break_tie(int(shared), numbers[place == shared], ladder=ladder, names=table.entries)
        for shared in distinct[holders > 1]
    ]
    return Standing(
        entries=_entry_rows(table, hearings, fit, numbers, place, ties, component),
        judges=_judge_rows(table, hearings, fit, component),
        summary=_summary(hearings, fit),
        ties=tuple(ties),
        variance=variance_table(hearings, fit),
        separate=(),
    )


def _entry_rows(
    table: ScoreTable,
    hearings: Hearings,
    fit: SeverityFit,
    numbers: Indices,
    place: Indices,
    ties: list[TieBreak],
    component: int,
) -> tuple[EntryRow, ...]:
    """One row for each of the entries numbered `numbers`, whose places are `place` (same shape)."""
    if not numbers.size:
        return ()
    raw_mean = hearings.mean_of_entry(hearings.total)[numbers]
    compared = fit.of_entries(numbers)
    error, tied, possible = compared.standard_error(), tied_with_first(compared), could_be_first(compared)
    in_columns = zip(
        numbers.tolist(),
        place.tolist(),
        _true_of_first(place, tied),
        _true_of_first(place, possible),
        raw_mean.tolist(),
        compared.adjusted.tolist(),
        values_or_none(error, numbers.size),
        compared.hearings_of_entry.tolist(),
        strict=True,
    )
    rows = [
        EntryRow(
            entry=table.entries[number],
            place=own_place,
            tied_with_first=is_tied,
            could_be_first=is_possible,
            raw_mean=mean,
            adjusted=adjusted,
            standard_error=own_error,
            hearings=judges,
            component=component,
        )
        for number, own_place, is_tied, is_possible, mean, adjusted, own_error, judges in in_columns
    ]
    # Within a shared place the list follows the ladder, and then the name: a list needs some order.
    by_ladder = {entry: step for tie in ties for step, group in enumerate(tie.order) for entry in group}
    return tuple(sorted(rows, key=lambda row: (row.place, by_ladder.get(row.entry, 0), row.entry)))


def _judge_rows(
    table: ScoreTable, hearings: Hearings, fit: SeverityFit, component: int
) -> tuple[JudgeRow, ...]:
    errors = values_or_none(fit.standard_error_of_effect(), hearings.n_judges)
    rows = []
    for number, (name, error) in enumerate(zip(table.judges, errors, strict=True)):
        given = hearings.total[hearings.judge_index == number]
        effect = float(fit.judge_effect[number])
        rows.append(
            JudgeRow(
                judge=name,
                severity=0.0 - effect,  # a plain minus would write -0.0
                hearings=given.size,
                effect=effect,
                standard_error=error,
                spread=float(given.std(ddof=1)) if given.size > 1 else None,
                component=component,
            )
        )
    return tuple(rows)


def _summary(hearings: Hearings, fit: SeverityFit) -> Summary:
    grid = hearings.grid(hearings.total)
    correlation = intraclass_correlation(grid)
    corrected = hearings.grid(hearings.total - fit.judge_effect[hearings.judge_index])
    return Summary(
        connected=fit.connected,
        components=fit.components,
        degrees_of_freedom=fit.degrees_of_freedom,
        residual_sd=fit.residual_sd,
        kendall_w=kendall_w(grid),
        icc_agreement=correlation.agreement if correlation else None,
        icc_consistency=correlation.consistency if correlation else None,
        alpha_interval=alpha_interval(grid),
        alpha_interval_adjusted=alpha_interval(corrected) if fit.connected else None,
        method=METHOD if fit.connected else METHOD + NO_JOINT_RANKING,
    )


def _true_of_first(place: Indices, verdict: NDArray[np.bool_] | None) -> list[bool | None]:
    """The verdict on each entry; of those in the first place it is true even where none exists."""
    verdicts = [None] * place.size if verdict is None else verdict.tolist()
    return [True if own == 1 else found for own, found in zip(place.tolist(), verdicts, strict=True)]
