"""How far the judges agree. Every measure takes the grid of totals, and is None where it is not defined.

The grid has shape (n_entries, n_judges), NaN where a judge did not hear an entry.
"""

from dataclasses import dataclass

import numpy as np
from scipy.stats import rankdata

from contests.scoring.ties import TIE_TOLERANCE, Floats, tie_groups


@dataclass(frozen=True)
class IntraclassCorrelation:
    """Single-rating intraclass correlations of a complete grid.

    `agreement` is ICC(2,1), of the raw scores: severity lowers it. `consistency` is ICC(3,1), what is left
    when severity is taken out. `agreement` alone is None where its denominator is 0, as for two judges who
    say the opposite of two entries. The four mean squares are those of Shrout and Fleiss, between entries,
    within entries, between judges, and the residual.
    """

    agreement: float | None
    consistency: float
    entries_mean_square: float
    within_mean_square: float
    judges_mean_square: float
    residual_mean_square: float


def kendall_w(grid: Floats) -> float | None:
    """Kendall's coefficient of concordance with the correction for ties, 0 to 1.

    None unless every judge heard every entry, with at least two of each, and when no judge made any
    difference between entries: neither 0 nor 1 would be true then.

    `W = 12 S / (m²(n³ − n) − m ΣT)`, Kendall and Gibbons, Rank Correlation Methods, the chapter on m
    rankings; also Zar, Biostatistical Analysis, section 20.16 (numbering from memory).
    """
    n_entries, n_judges = grid.shape
    if n_entries < 2 or n_judges < 2 or np.isnan(grid).any():
        return None
    groups = np.column_stack([tie_groups(column) for column in grid.T])
    rank_sums = np.asarray(rankdata(groups, axis=0), dtype=np.float64).sum(axis=1)
    squares = float(np.square(rank_sums - rank_sums.mean()).sum())
    tied = sum(float((np.bincount(column) ** 3 - np.bincount(column)).sum()) for column in groups.T)
    room = n_judges**2 * (n_entries**3 - n_entries) - n_judges * tied
    return 12.0 * squares / room if room > 0 else None


def intraclass_correlation(grid: Floats) -> IntraclassCorrelation | None:
    """ICC(2,1) and ICC(3,1); Shrout and Fleiss 1979, Psychological Bulletin 86, 420 to 428.

    None unless every judge heard every entry, with at least two of each, and when no score differs.
    """
    n_entries, n_judges = grid.shape
    if n_entries < 2 or n_judges < 2 or np.isnan(grid).any():
        return None
    centred = grid - grid.mean()
    if np.abs(centred).max() <= TIE_TOLERANCE:
        return None
    entry_mean, judge_mean = centred.mean(axis=1), centred.mean(axis=0)
    residual = centred - entry_mean[:, np.newaxis] - judge_mean
    entries = n_judges * float(np.square(entry_mean).sum()) / (n_entries - 1)
    judges = n_entries * float(np.square(judge_mean).sum()) / (n_judges - 1)
    error = float(np.square(residual).sum()) / ((n_entries - 1) * (n_judges - 1))
    within = float(np.square(centred - entry_mean[:, np.newaxis]).sum()) / (n_entries * (n_judges - 1))

    between_and_error = entries + (n_judges - 1) * error
    if between_and_error <= TIE_TOLERANCE**2:  # only severity differs: no entry stands out, nor any residual
        return None
    raw_variance = between_and_error + n_judges * (judges - error) / n_entries
    return IntraclassCorrelation(
        agreement=(entries - error) / raw_variance if raw_variance > TIE_TOLERANCE**2 else None,
        consistency=(entries - error) / between_and_error,
        entries_mean_square=entries,
        within_mean_square=within,
        judges_mean_square=judges,
        residual_mean_square=error,
    )


def alpha_interval(grid: Floats) -> float | None:
    """Krippendorff's alpha with the interval metric; 1 at perfect agreement, 0 at chance, negative below it.

    Entries with one score only cannot be paired and drop out. None when nothing can be paired or no paired
    score differs.

    Krippendorff, Computing Krippendorff's Alpha-Reliability, 2011. For squared differences the sums over all
    pairs of values reduce to sums of squares about means, which is what is computed here.
    """
    paired = grid[np.isfinite(grid).sum(axis=1) >= 2]
    if paired.size == 0:
        return None
    heard = np.isfinite(paired)
    counts = heard.sum(axis=1)
    n_values = int(counts.sum())
    values = paired - paired[heard].mean()
    if np.abs(values[heard]).max() <= TIE_TOLERANCE:
        return None
    entry_mean = np.nanmean(values, axis=1, keepdims=True)
    squares_within = np.nansum(np.square(values - entry_mean), axis=1)
    observed = float((2.0 * counts / (counts - 1) * squares_within).sum()) / n_values
    expected = 2.0 * float(np.square(values[heard]).sum()) / (n_values - 1)
    return 1.0 - observed / expected
