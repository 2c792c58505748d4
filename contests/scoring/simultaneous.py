"""Which entries could be the best, all comparisons taken together."""

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as t_distribution

from contests.scoring.severity import SeverityFit
from contests.scoring.ties import TIE_TOLERANCE, Floats, Indices

CONFIDENCE = 0.95

# Draws of the whole field's errors. With 400 the stated 95% is met within about 1.1%, with 4000 within 0.35%
# (the standard error of a proportion); a large field takes fewer, so that the answer stays a matter of
# seconds.
MOST_DRAWS, FEWEST_DRAWS = 4000, 400
COMPARISONS_AFFORDED = 100_000_000
SEED = 1
LOOKED_AT_FIRST = 64
"""Rivals a draw whose differences are worked out in any case."""


def tied_with_first(fit: SeverityFit) -> NDArray[np.bool_] | None:
    """Entries whose own 95% interval of the difference to the first includes 0, shape (n_entries,).

    Pair by pair, with the difference's own standard error; where several share the first place, one of them
    is enough. None without a degree of freedom. The interval belongs to each pair alone: for the question who
    may be the best of all, see `could_be_first`.
    """
    if fit.residual_sd is None:
        return None
    best = fit.adjusted.max()
    reach = float(t_distribution.ppf((1 + CONFIDENCE) / 2, fit.degrees_of_freedom)) * fit.residual_sd
    tied = best - fit.adjusted <= TIE_TOLERANCE
    for first in np.flatnonzero(tied):
        tied |= best - fit.adjusted <= reach * fit.unit_difference_sd(int(first))
    return np.asarray(tied)


def could_be_first(fit: SeverityFit) -> NDArray[np.bool_] | None:
    """Entries that cannot be ruled out as the best, shape (n_entries,); None without a degree of freedom.

    With at least 95% the set holds the truly best entry, however many entries were compared and although the
    leader was picked after seeing the scores. In all but the smallest fields it is wider than
    `tied_with_first`.

    Multiple comparisons with the best, in the form for unequal covariances: each entry is tried as the
    control of one-sided comparisons with all others (Hsu, Multiple Comparisons: Theory and Methods, 1996,
    chapter 4; Edwards and Hsu 1983, JASA 78, 965 to 971; both from memory). The critical value is simulated
    from the fit's whole covariance with a fixed seed.
    """
    if fit.residual_sd is None:
        return None
    gap = fit.adjusted.max() - fit.adjusted
    if not fit.has_spread:
        return np.asarray(gap <= TIE_TOLERANCE)

    # One pair's critical value is the least it can be, Bonferroni's the most: between them it is simulated.
    freedom, n_entries = fit.degrees_of_freedom, fit.adjusted.size
    least = float(t_distribution.ppf(CONFIDENCE, freedom))
    most = float(t_distribution.isf((1 - CONFIDENCE) / max(n_entries - 1, 1), freedom))
    leader = int(np.argmin(gap))
    # Whoever is too far behind the leader need not be compared with the rest.
    near = np.flatnonzero(gap <= most * fit.residual_sd * fit.unit_difference_sd(leader) + TIE_TOLERANCE)
    behind = np.full(n_entries, np.inf)
    behind[near] = [_furthest_behind(fit, int(entry)) for entry in near]
    possible = behind <= least
    open_entries = np.flatnonzero(~possible & (behind <= most))
    if open_entries.size:
        possible[open_entries] = behind[open_entries] <= critical_values(fit, open_entries)
    return possible


def critical_values(fit: SeverityFit, entries: Indices) -> Floats:
    """The 95% point of the largest studentised difference of all others to each of `entries`.

    Shape as `entries`; needs a degree of freedom. In a balanced complete design it is Dunnett's one-sided
    value.
    """
    n_entries = fit.adjusted.size
    draws = int(np.clip(COMPARISONS_AFFORDED // (n_entries * entries.size), FEWEST_DRAWS, MOST_DRAWS))
    rng = np.random.default_rng(SEED)
    error = rng.standard_normal((draws, n_entries)) / np.sqrt(fit.hearings_of_entry)
    error += rng.standard_normal((draws, fit.judge_root.shape[0])) @ fit.through_judges.T
    error /= np.sqrt(rng.chisquare(fit.degrees_of_freedom, (draws, 1)) / fit.degrees_of_freedom)

    rivals = _Rivals(error)
    return np.array(
        [rivals.critical_value(int(entry), fit.unit_difference_sd(int(entry))) for entry in entries]
    )


class _Rivals:
    """Drawn errors of the whole field, made ready to find each entry's strongest rival in every draw.

    Hardly any draw's largest studentised difference belongs to a rival with an ordinary error. So those with
    the largest errors are looked at first, and the rest only in draws where one of them could still be ahead:
    the result is that of looking at all, to the last digit.
    """

    def __init__(self, error: Floats) -> None:
        """`error` has shape (n_draws, n_entries)."""
        self.error = error
        looked_at = min(LOOKED_AT_FIRST, error.shape[1])
        self.first = np.argpartition(error, error.shape[1] - looked_at, axis=1)[:, -looked_at:]
        self.first_error = np.take_along_axis(error, self.first, axis=1)
        # No rival that is not looked at first has a larger error than this; -inf where all are looked at.
        self.others_most = self.first_error.min(axis=1) if looked_at < error.shape[1] else -np.inf

    def critical_value(self, entry: int, spread: Floats) -> float:
        """The 95% point of the largest difference to `entry` over `spread` (n_entries,), that of its sd."""
        spread[entry] = np.inf  # its difference to itself is 0: the least that the largest can be
        own = self.error[:, entry]
        ahead = (self.first_error - own[:, np.newaxis]) / spread[self.first]
        largest = np.maximum(ahead.max(axis=1), 0.0)
        is_open = (self.others_most - own) / spread.min() > largest
        rest = (self.error[is_open] - own[is_open, np.newaxis]) / spread
        largest[is_open] = rest.max(axis=1)
        return float(np.quantile(largest, CONFIDENCE))


def _furthest_behind(fit: SeverityFit, entry: int) -> float:
    """By how many standard errors the strongest rival leads `entry`; 0 for the leader itself."""
    if fit.residual_sd is None:
        return 0.0
    spread = fit.unit_difference_sd(entry)
    spread[entry] = np.inf  # its difference to itself is 0
    return max(float(((fit.adjusted - fit.adjusted[entry]) / (fit.residual_sd * spread)).max()), 0.0)
