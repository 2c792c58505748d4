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

    critical = np.empty(entries.size)
    for number, entry in enumerate(entries):
        spread = fit.unit_difference_sd(int(entry))
        spread[entry] = 1.0  # its difference to itself is 0 and never the largest
        behind = error - error[:, [entry]]
        behind /= spread  # in place: at thousands of entries making another such array costs as much
        largest = behind.max(axis=1)
        critical[number] = np.quantile(largest, CONFIDENCE)
    return critical


def _furthest_behind(fit: SeverityFit, entry: int) -> float:
    """By how many standard errors the strongest rival leads `entry`; 0 for the leader itself."""
    others = np.arange(fit.adjusted.size) != entry
    if not others.any() or fit.residual_sd is None:
        return 0.0
    gap = fit.adjusted[others] - fit.adjusted[entry]
    return max(float((gap / (fit.residual_sd * fit.unit_difference_sd(entry)[others])).max()), 0.0)
