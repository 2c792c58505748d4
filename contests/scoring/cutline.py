"""Who goes on to the next round: how likely each entry is among the best so many."""

import numpy as np

from contests.scoring.severity import SeverityFit
from contests.scoring.ties import Floats, places

SURE, OPEN = 0.9, 0.1
"""Above the first an entry is as good as in, below the second as good as out; between, it is borderline."""
MOST_DRAWS, FEWEST_DRAWS = 4000, 1000  # a chance of one half is then known within 0.8 or 1.6 per cent
NUMBERS_AFFORDED = 5_000_000  # so that a field of thousands takes a second and no gigabyte
SEED = 1


def chances_above(fit: SeverityFit, keep: int) -> Floats | None:
    """The chance of each entry to be truly among the best `keep`, shape (n_entries,); they sum to `keep`.

    None without a degree of freedom. With nothing left over to estimate an error from, chances are 1 and 0,
    and everybody who shares the last place that goes on has 1. Raises ValueError for fewer than one place.

    Notes
    -----
    Entries are taken to come from one normal field whose spread is estimated by the method of moments; each
    draw is one from the posterior given the fit's whole covariance, so that entries judged by the same severe
    judges move together (empirical Bayes; Efron and Morris 1975, JASA 70, 311 to 319, from memory). Where
    the field does not differ more than errors would make it, all chances are equal.
    """
    if keep < 1:
        raise ValueError("at least one entry goes on")
    n_entries = fit.adjusted.size
    if keep >= n_entries:
        return np.ones(n_entries)
    if fit.residual_sd is None:
        return None
    if not fit.has_spread:
        return np.asarray(places(fit.adjusted) <= keep, dtype=np.float64)
    field_variance = _field_variance(fit)
    if field_variance == 0.0:
        return np.full(n_entries, keep / n_entries)
    drawn = _posterior(fit, field_variance)
    best = np.argpartition(-drawn, keep - 1, axis=1)[:, :keep]
    return np.asarray(np.bincount(best.ravel(), minlength=n_entries) / drawn.shape[0])


def _field_variance(fit: SeverityFit) -> float:
    """Variance of the entries' true qualities, 0 or more: what is left without the errors' share."""
    assert fit.residual_sd is not None
    own = 1.0 / fit.hearings_of_entry
    whole = own.sum() + np.square(fit.through_judges).sum()
    common = (own.sum() + np.square(fit.through_judges.sum(axis=0)).sum()) / own.size
    found = np.square(fit.adjusted - fit.adjusted.mean()).sum() - fit.residual_sd**2 * (whole - common)
    return max(0.0, float(found / (own.size - 1)))


def _posterior(fit: SeverityFit, field_variance: float) -> Floats:
    """Draws of the true qualities given the scores, shape (n_draws, n_entries)."""
    assert fit.residual_sd is not None
    rng = np.random.default_rng(SEED)
    draws = int(np.clip(NUMBERS_AFFORDED // fit.adjusted.size, FEWEST_DRAWS, MOST_DRAWS))
    own = fit.residual_sd / np.sqrt(fit.hearings_of_entry)
    through = fit.residual_sd * fit.through_judges
    truth = rng.standard_normal((draws, own.size)) * np.sqrt(field_variance)
    error = rng.standard_normal((draws, own.size)) * own
    error += rng.standard_normal((draws, through.shape[1])) @ through.T
    # One draw of truth and scores, corrected by what the scores that were really given say.
    seen = fit.adjusted - fit.adjusted.mean() - (truth + error)
    return np.asarray(truth + field_variance * _solved(field_variance + own**2, through, seen))


def _solved(diagonal: Floats, through: Floats, right_hand: Floats) -> Floats:
    """`(diag + through throughᵀ)⁻¹` applied to each row; by Woodbury's identity, as there are few judges."""
    scaled = through / diagonal[:, np.newaxis]
    inner = np.eye(through.shape[1]) + through.T @ scaled
    plain = right_hand / diagonal
    return np.asarray(plain - np.linalg.solve(inner, (right_hand @ scaled).T).T @ scaled.T)
