"""A judge's work beside the panel's. Advice with its uncertainty, never a verdict: it drops nobody."""

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2, kendalltau, linregress
from scipy.stats import f as f_distribution
from scipy.stats import t as t_distribution

from contests.scoring.rounds import round_of
from contests.scoring.severity import SeverityFit, fit_severity
from contests.scoring.sheets import ScoreColumns, ScoreTable, Weights, shares, weighted_hearings
from contests.scoring.ties import TIE_TOLERANCE, Floats

FEWEST_HEARINGS = 6
"""With fewer hearings than this nothing but severity is said of a judge. Common practice, no source."""

FEWEST_REPEATS = 6
"""With fewer pairs a judge of doubled error is hardly ever found; see the notes of `self_consistency`."""

CONFIDENCE = 0.95

WHOLE = 0.98
"""Who heard so much of a mix's length heard it whole: a player does not count its last buffers, and lengths
are told by tenths. Common practice, no source.
"""

Positions = Mapping[tuple[str, str], float]
"""At which position a judge heard an entry, by judge and entry: the mean where the total is one of several
hearings.
"""


@dataclass(frozen=True)
class JudgeWork:
    """What a judge's totals look like once entry and severity are taken out; None where not defined.

    `misfit` is the judge's residual mean square over that of the rest, about 1 for a judge like the others;
    `misfit_p` the chance of so much or more by luck alone. `order` is Kendall's tau-b with the standing made
    without this judge, `scale` the slope of the judge's totals on it: below 1 the judge keeps to the middle
    of the scale, above it goes to its ends. `halo` is the mean correlation between criteria within the judge.
    `drift` is the change of the residual from one position to the next, `drift_p` its chance by luck;
    `tiring` and `tiring_p` are the same from one mix to the next within a session, between two rests.
    """

    judge: str
    hearings: int
    misfit: float | None
    misfit_p: float | None
    order: float | None
    scale: float | None
    halo: float | None
    drift: float | None
    drift_p: float | None
    tiring: float | None = None
    tiring_p: float | None = None


def judges_work(
    scores: ScoreTable,
    weights: Weights | None = None,
    positions: Positions | None = None,
    session_positions: Positions | None = None,
) -> tuple[JudgeWork, ...]:
    """Look at every judge's work, by name. Raises SheetsRefused as `rank` does.

    Notes
    -----
    Residuals are studentised by their leverage: the variance of a residual is σ²(1 − h), with
    `h = 1/kᵢ + |tᵢ − gⱼ|²` from the two factors of the fit's covariance (Cook and Weisberg, Residuals and
    Influence in Regression, 1982, chapter 2; the form for this model by algebra). The F probability takes
    the two groups of residuals as independent, which is nearly so.
    """
    share = shares(scores, weights)
    hearings = weighted_hearings(scores, share)
    fit = fit_severity(hearings)
    freedom = 1.0 - _leverage(fit, hearings.entry_index, hearings.judge_index)
    found = []
    for number, judge in enumerate(scores.judges):
        own = hearings.judge_index == number
        heard = [scores.entries[entry] for entry in hearings.entry_index[own]]
        enough = len(heard) >= FEWEST_HEARINGS
        misfit, misfit_p = _misfit(fit.residual, freedom, own) if enough else (None, None)
        is_own = scores.columns.judge.number == number
        order, scale = _beside_the_rest(
            scores.columns.rows(~is_own), weights, dict(zip(heard, hearings.total[own], strict=True))
        )
        drift, drift_p = _drift(judge, heard, positions, fit.residual[own])
        tiring, tiring_p = _drift(judge, heard, session_positions, fit.residual[own])
        found.append(
            JudgeWork(
                judge=judge,
                hearings=len(heard),
                misfit=misfit,
                misfit_p=misfit_p,
                order=order if enough else None,
                scale=scale if enough else None,
                halo=_halo(scores.columns.rows(is_own), scores.criteria) if enough else None,
                drift=drift,
                drift_p=drift_p,
                tiring=tiring,
                tiring_p=tiring_p,
            )
        )
    return tuple(found)


@dataclass(frozen=True)
class OrderEffect:
    """By how much a total rises from one position to the next over the whole panel, with its 95% interval.

    In points; falling is negative. `hearings` is the number of those whose position is known.
    """

    hearings: int
    change: float
    lowest: float
    highest: float


def order_effect(scores: ScoreTable, weights: Weights | None, positions: Positions) -> OrderEffect | None:
    """The effect of the position on totals, entry and judge taken out; None where nothing tells it apart.

    Raises SheetsRefused as `rank` does.

    Notes
    -----
    Least squares of `total = entry + judge + change · position`. The position is fitted as the totals are,
    and what is left of one is set against what is left of the other (Frisch and Waugh 1933, Econometrica 1,
    387 to 401; from memory). A panel shows what no single judge has hearings enough for.
    """
    known = tuple(one for one in scores.scores if (one.judge, one.entry) in positions)
    if not known:
        return None
    table = ScoreTable(known)
    hearings = weighted_hearings(table, shares(table, weights))
    pairs = zip(hearings.judge_index, hearings.entry_index, strict=True)
    position = np.array([positions[table.judges[judge], table.entries[entry]] for judge, entry in pairs])
    fit = fit_severity(hearings)
    apart = fit_severity(dataclasses.replace(hearings, total=position)).residual
    spread, freedom = float(apart @ apart), fit.degrees_of_freedom - 1
    if freedom < 1 or spread <= TIE_TOLERANCE:
        return None
    change = float(apart @ fit.residual) / spread
    left = np.square(fit.residual - change * apart).sum() / freedom
    reach = float(t_distribution.ppf((1 + CONFIDENCE) / 2, freedom) * np.sqrt(left / spread))
    return OrderEffect(position.size, change, change - reach, change + reach)


@dataclass(frozen=True)
class TimeSpent:
    """For how long a judge heard mixes, as times the length of each, as far as anything is known of it.

    `short` of `known` hearings came to less than `WHOLE` of the mix's length. `change` is that of the time
    from one mix to the next within a session, `change_p` its chance by luck; None for too few or for what
    does not vary.
    """

    judge: str
    known: int
    short: int
    change: float | None
    change_p: float | None


def time_spent(judge: str, heard: Sequence[tuple[float, float | None]]) -> TimeSpent:
    """What a judge's hearings say: each as times its mix's length, and its position in the session if known.

    A hearing of which nothing was told, 0 times, says nothing: the word of it may have been lost.
    """
    told = [(times, np.nan if at is None else at) for times, at in heard if times > 0]
    times, position = np.array(told, dtype=np.float64).reshape(-1, 2).T
    change, change_p = _slope(position, times)
    return TimeSpent(judge, len(told), int((times < WHOLE).sum()), change, change_p)


@dataclass(frozen=True)
class SelfConsistency:
    """How far a judge's totals for one mix differ from one hearing to the next, from hidden repeats.

    `error_sd` is the standard deviation of one hearing's total about that judge's own mean; `lowest` and
    `highest` are its 95% interval. `pairs` is the number of mixes heard twice, at least 1.
    """

    judge: str
    pairs: int
    error_sd: float
    lowest: float
    highest: float


def self_consistency(scores: ScoreTable, weights: Weights | None = None) -> tuple[SelfConsistency, ...]:
    """Each judge who heard something twice within one round, by name; who did not is left out.

    Raises SheetsRefused as `rank` does.

    Notes ----- `s = √(Σd²/2r)` over r pairs that differ by d (Dahlberg 1940, from memory). Where errors are
    normal, `r·s²/σ²` is chi-squared with r degrees of freedom, which gives the interval. It is wide for few
    pairs: at a false alarm in a hundred, a judge whose error is twice that of the others is found with chance
    `P(χ²_r > χ²_{r, .99}/4)`, which is .32 for 2 pairs, .65 for 6 and .83 for 10 (the test recomputes these).
    """
    share = shares(scores, weights)
    found: dict[str, list[float]] = {}
    for (judge, _), totals in sorted(_totals_in_a_round(scores, share).items()):
        if len(totals) == 2:
            found.setdefault(judge, []).append(totals[0] - totals[1])
    tail = (1 - CONFIDENCE) / 2
    lines = []
    for judge, differences in found.items():
        pairs = len(differences)
        error_sd = float(np.sqrt(np.square(differences).sum() / (2 * pairs)))
        reach = [float(np.sqrt(pairs / chi2.isf(chance, pairs))) for chance in (tail, 1 - tail)]
        lines.append(SelfConsistency(judge, pairs, error_sd, error_sd * reach[0], error_sd * reach[1]))
    return tuple(lines)


def _totals_in_a_round(
    scores: ScoreTable, share: Mapping[str, float]
) -> dict[tuple[str, tuple[str, str]], list[float]]:
    """Each judge's totals for one entry within one round, by judge, then entry and round."""
    sheets: dict[tuple[str, str, str], float] = {}
    for score in scores.scores:
        sheet = (score.judge, score.entry, score.repeat)
        sheets[sheet] = sheets.get(sheet, 0.0) + share[score.criterion] * score.value
    totals: dict[tuple[str, tuple[str, str]], list[float]] = {}
    for (judge, entry, repeat), total in sorted(sheets.items()):
        totals.setdefault((judge, (entry, round_of(repeat))), []).append(total)
    return totals


def _leverage(fit: SeverityFit, entry_index: np.ndarray, judge_index: np.ndarray) -> Floats:
    """Each hearing's leverage h, shape (n_hearings,), between 0 and 1."""
    between = fit.through_judges[entry_index] - fit.judge_root[judge_index]
    return np.asarray(1.0 / fit.hearings_of_entry[entry_index] + np.square(between).sum(axis=1))


def _misfit(residual: Floats, freedom: Floats, own: np.ndarray) -> tuple[float | None, float | None]:
    own_freedom, rest_freedom = float(freedom[own].sum()), float(freedom[~own].sum())
    if own_freedom <= TIE_TOLERANCE or rest_freedom <= TIE_TOLERANCE:
        return None, None
    rest = float(np.square(residual[~own]).sum()) / rest_freedom
    if rest <= TIE_TOLERANCE**2:
        return None, None
    ratio = float(np.square(residual[own]).sum()) / own_freedom / rest
    return ratio, float(f_distribution.sf(ratio, own_freedom, rest_freedom))


def _beside_the_rest(
    others: ScoreColumns, weights: Weights | None, totals: Mapping[str, float]
) -> tuple[float | None, float | None]:
    """Order and slope of a judge's totals against the standing that everybody else's scores give."""
    if not len(others):
        return None, None
    rest = ScoreTable(others)
    fit = fit_severity(weighted_hearings(rest, shares(rest, weights)))
    if not fit.connected:
        return None, None
    adjusted = dict(zip(rest.entries, fit.adjusted, strict=True))
    common = [entry for entry in totals if entry in adjusted]
    if len(common) < FEWEST_HEARINGS:
        return None, None
    own = np.array([totals[entry] for entry in common])
    field = np.array([adjusted[entry] for entry in common])
    if np.ptp(field) <= TIE_TOLERANCE:
        return None, None
    order = None if np.ptp(own) <= TIE_TOLERANCE else float(kendalltau(own, field).statistic)
    return order, float(linregress(field, own).slope)


def _halo(scores: ScoreColumns, criteria: Sequence[str]) -> float | None:
    """Mean correlation between the criteria on a judge's sheets; None for one criterion or constant ones."""
    sheets: dict[tuple[str, str], dict[str, float]] = {}
    for score in scores:
        sheets.setdefault((score.entry, score.repeat), {})[score.criterion] = score.value
    grid = np.array([[sheet.get(name, np.nan) for name in criteria] for sheet in sheets.values()])
    grid = grid[:, ~np.isnan(grid).any(axis=0)]
    grid = grid[:, np.ptp(grid, axis=0) > TIE_TOLERANCE]
    n_criteria = grid.shape[1]
    if n_criteria < 2:
        return None
    pairs = np.corrcoef(grid, rowvar=False)[np.triu_indices(n_criteria, k=1)]
    return float(pairs.mean())


def _drift(
    judge: str, heard: Sequence[str], positions: Positions | None, residual: Floats
) -> tuple[float | None, float | None]:
    position = np.array([(positions or {}).get((judge, entry), np.nan) for entry in heard], np.float64)
    return _slope(position, residual)


def _slope(position: Floats, value: Floats) -> tuple[float | None, float | None]:
    """Change of a value from one position to the next, and its chance by luck; NaN is an unknown position."""
    known = np.isfinite(position)
    if known.sum() < FEWEST_HEARINGS or np.ptp(position[known]) == 0 or np.ptp(value[known]) == 0:
        return None, None
    line = linregress(position[known], value[known])
    return float(line.slope), float(line.pvalue)
