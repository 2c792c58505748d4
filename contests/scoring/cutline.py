"""Who goes on to the next round: how likely each entry is among the best so many."""

from collections.abc import Iterator

import numpy as np

from contests.scoring.severity import SeverityFit
from contests.scoring.ties import Floats, places

SURE, OPEN = 0.9, 0.1
"""Above the first an entry is as good as in, below the second as good as out; between, it is borderline."""
MOST_DRAWS, FEWEST_DRAWS = 4000, 1000  # a chance of one half is then known within 0.8 or 1.6 per cent
NUMBERS_AFFORDED = 5_000_000  # so that a field of thousands is drawn while a page is waited for
NUMBERS_AT_ONCE = 250_000  # two megabytes, which stay in the processor's cache
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
    draws = int(np.clip(NUMBERS_AFFORDED // n_entries, FEWEST_DRAWS, MOST_DRAWS))
    times_in = np.zeros(n_entries, dtype=np.intp)
    for drawn in _posterior(fit, field_variance, draws):
        best = np.argpartition(drawn, n_entries - keep, axis=1)[:, n_entries - keep :]
        times_in += np.bincount(best.ravel(), minlength=n_entries)
    return np.asarray(times_in / draws)


def _field_variance(fit: SeverityFit) -> float:
    """Variance of the entries' true qualities, 0 or more: what is left without the errors' share."""
    assert fit.residual_sd is not None
    own = 1.0 / fit.hearings_of_entry
    whole = own.sum() + np.square(fit.through_judges).sum()
    common = (own.sum() + np.square(fit.through_judges.sum(axis=0)).sum()) / own.size
    found = np.square(fit.adjusted - fit.adjusted.mean()).sum() - fit.residual_sd**2 * (whole - common)
    return max(0.0, float(found / (own.size - 1)))


def _posterior(fit: SeverityFit, field_variance: float, draws: int) -> Iterator[Floats]:
    """Draws of the true qualities given the scores, in blocks of shape (some of `draws`, n_entries).

    With the errors' covariance D + TTᵀ (D each entry's own, T through the judges) and A = τ² + D, the
    posterior has by Woodbury's identity the covariance τ²D/A + B(I + TᵀA⁻¹T)⁻¹Bᵀ and B = τ²A⁻¹T: each entry’s
    own part, and a common part of as many unknowns as judges.
    """
    assert fit.residual_sd is not None
    own = fit.residual_sd**2 / fit.hearings_of_entry
    through = fit.residual_sd * fit.through_judges
    shrinking = field_variance / (field_variance + own)
    inner = np.eye(through.shape[1]) + through.T @ (through * (shrinking / field_variance)[:, np.newaxis])
    seen = fit.adjusted - fit.adjusted.mean()
    plain = shrinking * seen
    common = through * shrinking[:, np.newaxis]
    mean = plain - common @ np.linalg.solve(inner, through.T @ plain / field_variance)
    own_sd = np.sqrt(shrinking * own)
    # L⁻ᵀ of inner = LLᵀ: times its transpose it is the inverse of `inner`.
    common_root = common @ np.linalg.inv(np.linalg.cholesky(inner)).T

    rng = np.random.default_rng(SEED)
    at_once = max(1, NUMBERS_AT_ONCE // own.size)
    for begin in range(0, draws, at_once):
        count = min(at_once, draws - begin)
        drawn = rng.standard_normal((count, own.size))
        drawn *= own_sd
        drawn += rng.standard_normal((count, common_root.shape[1])) @ common_root.T
        drawn += mean
        yield drawn
