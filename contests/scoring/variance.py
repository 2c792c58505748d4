"""Where the spread of the scores comes from: entries, judges, or neither."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import f as f_distribution

from contests.scoring.severity import Hearings, SeverityFit
from contests.scoring.ties import Floats, Indices


@dataclass(frozen=True)
class VarianceTable:
    """Sums of squares of the additive model, and what they say.

    "Adjusted" means after the other of the two is accounted for. `entries_f` asks whether the entries differ
    at all, `judges_f` whether the judges' severities do; a quotient and its probability are None where
    nothing is left to compare with (no degree of freedom, or a residual of 0).
    """

    total: float
    entries_unadjusted: float
    entries_adjusted: float
    judges_unadjusted: float
    judges_adjusted: float
    residual: float
    entries_freedom: int
    judges_freedom: int
    residual_freedom: int
    entries_f: float | None
    entries_p: float | None
    judges_f: float | None
    judges_p: float | None


def variance_table(hearings: Hearings, fit: SeverityFit) -> VarianceTable:
    """Analysis of variance of `hearings` by the model in `fit`.

    Montgomery, Design and Analysis of Experiments, balanced incomplete blocks: the extra sum of squares of
    each factor over the other alone, which holds for any connected pattern of hearings.
    """
    mean = hearings.total.mean()
    total = float(np.square(hearings.total - mean).sum())
    entries_unadjusted = _between(hearings.entry_index, hearings.total - mean)
    judges_unadjusted = _between(hearings.judge_index, hearings.total - mean)
    residual = float(np.square(fit.residual).sum())
    entries_adjusted = max(total - judges_unadjusted - residual, 0.0)
    judges_adjusted = max(total - entries_unadjusted - residual, 0.0)
    entries_freedom = hearings.n_entries - fit.components
    judges_freedom = hearings.n_judges - fit.components
    entries_f, entries_p = _quotient(entries_adjusted, entries_freedom, fit)
    judges_f, judges_p = _quotient(judges_adjusted, judges_freedom, fit)
    return VarianceTable(
        total=total,
        entries_unadjusted=entries_unadjusted,
        entries_adjusted=entries_adjusted,
        judges_unadjusted=judges_unadjusted,
        judges_adjusted=judges_adjusted,
        residual=residual,
        entries_freedom=entries_freedom,
        judges_freedom=judges_freedom,
        residual_freedom=fit.degrees_of_freedom,
        entries_f=entries_f,
        entries_p=entries_p,
        judges_f=judges_f,
        judges_p=judges_p,
    )


def _between(index: Indices, centred: Floats) -> float:
    """Sum of squares between the groups that `index` names, of values with mean 0."""
    sums, counts = np.bincount(index, weights=centred), np.bincount(index)
    return float((np.square(sums) / counts).sum())


def _quotient(squares: float, freedom: int, fit: SeverityFit) -> tuple[float | None, float | None]:
    if freedom < 1 or not fit.has_spread or fit.residual_sd is None:
        return None, None
    quotient = squares / freedom / fit.residual_sd**2
    return quotient, float(f_distribution.sf(quotient, freedom, fit.degrees_of_freedom))
