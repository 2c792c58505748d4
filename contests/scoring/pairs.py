"""How far entries are apart by the pairs of judges' orders: the strengths of Bradley and Terry."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from contests.scoring.ties import Floats, Indices, tie_groups

Counts = NDArray[np.int64]
Flags = NDArray[np.bool_]

# Newton's method doubles its digits with each step, so ten steps are many. A step below the smallest moves
# nothing that a page or a place could show; a likelihood that falls by less than the slack falls by rounding.
MOST_STEPS, SMALLEST_STEP, SLACK = 100, 1e-12, 1e-12


@dataclass(frozen=True)
class Strengths:
    """Each entry's strength from pairs; all of shape (n_entries,).

    `log_worth` sums to 0 within a group: whoever is ahead by d is put first with odds of e^d to 1.
    `standard_error` is that of `log_worth`. Both are NaN for an entry that is alone in its group.
    `group` is the same number for entries that pairs measure against each other, `island` for those that any
    pair links at all. Between two groups of an island all pairs went one way, so that no distance between
    them has a bound. `place` is one more than the number of entries ahead: by strength within a group, by
    the pairs between groups, nobody between islands.
    """

    log_worth: Floats
    standard_error: Floats
    group: Indices
    island: Indices
    place: Indices


def strengths_of(orders: Sequence[Sequence[int]], n_entries: int) -> Strengths:
    """Strengths from each judge's own order, best first, of entries numbered from 0, none twice in an order.

    Every order stands for its pairs. Where all judges order all entries the strengths stand in the order of
    Borda's points, since then the number of pairs won decides; they add how far, and how surely. Groups
    are fitted side by side. Without orders every entry is alone; there must be one at least.

    Notes
    -----
    Bradley and Terry 1952 (Biometrika 39, 324 to 345; from memory). A maximum of the likelihood exists just
    within groups in which everybody is linked to everybody by wins, in both directions (Ford 1957, American
    Mathematical Monthly 64 no. 8, 28 to 33; Hunter 2004, Annals of Statistics 32, 384 to 406; from memory).

    The trap is the standard error: the pairs of one order are no independent trials, for whoever is first
    wins all of them. Orders whose every pair follows Bradley and Terry are those of Plackett and Luce, so the
    covariance of a judge's pairs is theirs, and the errors are `L⁺VL⁺` with the information L of the pairs
    and the variance V of their score (Godambe 1960, Annals of Mathematical Statistics 31, 1208 to 1211; from
    memory). Among m equals it is √((m + 1)/3) of the error that independent pairs would have.
    """
    wins = pairs_won(orders, n_entries)
    reach = _reach(wins > 0)
    group, island = _parts(reach), _parts(_reach((wins > 0) | (wins.T > 0)))
    log_worth = np.full(n_entries, np.nan)
    standard_error = np.full(n_entries, np.nan)
    ahead = reach & ~reach.T
    for number in np.unique(group):
        members = np.flatnonzero(group == number)
        if members.size < 2:
            continue
        inside = np.ix_(members, members)
        fitted = log_worths(wins[inside])
        log_worth[members] = fitted
        own = [tuple(np.flatnonzero(np.isin(members, order)).tolist()) for order in orders]
        standard_error[members] = np.sqrt(np.diag(_covariance(wins[inside], fitted, own)))
        rank = tie_groups(fitted)
        ahead[inside] = rank[:, np.newaxis] < rank
    place = np.asarray(1 + ahead.sum(axis=0), dtype=np.intp)
    return Strengths(log_worth, standard_error, group, island, place)


def pairs_won(orders: Sequence[Sequence[int]], n_entries: int) -> Counts:
    """On how many orders entry a stands before entry b, shape (n_entries, n_entries)."""
    wins = np.zeros((n_entries, n_entries), dtype=np.int64)
    for order in orders:
        for at, better in enumerate(order):
            wins[better, list(order[at + 1 :])] += 1
    return wins


def log_worths(wins: Counts) -> Floats:
    """The most likely strengths from `wins[a, b]`, how often a won against b; they sum to 0, shape (n,).

    Raises ValueError where no maximum exists: see `strengths_of`.

    Notes
    -----
    Newton's method on the logarithm of the likelihood, which is concave. Whatever is added to all strengths
    changes nothing, so the matrix of second derivatives is singular; ones are added to it, which only fixes
    the sum. A step that would lead downhill is halved.
    """
    if not _reach(wins > 0).all():
        raise ValueError("no maximum exists: the wins do not link every entry to every other")
    met = wins + wins.T
    worth = np.zeros(wins.shape[0])
    likelihood = _log_likelihood(wins, worth)
    for _ in range(MOST_STEPS):
        won = expit(worth[:, np.newaxis] - worth)
        slope = (wins - met * won).sum(axis=1)
        step = np.linalg.solve(_information(met, worth) + 1.0, slope)
        while (then := _log_likelihood(wins, worth + step)) < likelihood * (1 + SLACK):
            step = step / 2
        worth, likelihood = worth + step, then
        if np.abs(step).max() <= SMALLEST_STEP:
            return np.asarray(worth - worth.mean())
    raise ArithmeticError("the strengths did not settle")


def _log_likelihood(wins: Counts, worth: Floats) -> float:
    return -float((wins * np.logaddexp(0.0, worth - worth[:, np.newaxis])).sum())


def _information(met: Counts, worth: Floats) -> Floats:
    """Fisher's information of the pairs: a Laplacian, so its rows sum to 0."""
    won = expit(worth[:, np.newaxis] - worth)
    weight = met * won * won.T
    return np.asarray(np.diag(weight.sum(axis=1)) - weight)


def _inverse_information(wins: Counts, log_worth: Floats) -> Floats:
    """The pseudo-inverse of the information: ones fill its null space and are taken out again."""
    n_entries = log_worth.size
    filled = _information(wins + wins.T, log_worth) + 1.0 / n_entries
    return np.asarray(np.linalg.inv(filled) - 1.0 / n_entries)


def _covariance(wins: Counts, log_worth: Floats, orders: Sequence[tuple[int, ...]]) -> Floats:
    """Covariance of strengths from orders of these entries; only who is in an order matters here."""
    spread = np.zeros(wins.shape)
    for members, times in Counter(orders).items():
        inside = np.ix_(members, members)
        spread[inside] += times * order_score_covariance(log_worth[list(members)])
    inverse = _inverse_information(wins, log_worth)
    return np.asarray(inverse @ spread @ inverse)


def order_score_covariance(log_worth: Floats) -> Floats:
    """Covariance of the numbers of pairs that entries of these strengths win in one order, shape (n, n).

    Under Plackett and Luce an order is that of arrival of independent exponential times, so pairs without a
    common entry are independent, and those with one follow from who is first, and who second, of three.
    """
    n_entries = log_worth.size
    odds = np.exp(log_worth - log_worth[:, np.newaxis])  # of the second against the first
    wins = 1.0 / (1.0 + odds)
    covariance = -wins * wins.T
    np.fill_diagonal(covariance, 0.0)
    np.fill_diagonal(covariance, -covariance.sum(axis=1))
    for third in range(n_entries):
        two = np.delete(np.arange(n_entries), third)
        inside = np.ix_(two, two)
        to_third = wins[two, third]
        is_first = 1.0 / (1.0 + odds[inside] + odds[two, third][:, np.newaxis])
        in_line = is_first * to_third  # first, second, third
        shared = 2 * (in_line + in_line.T) - np.outer(to_third, to_third)
        shared -= wins[inside] * to_third + (wins[inside] * to_third).T
        both = is_first - wins[inside] * to_third[:, np.newaxis]
        np.fill_diagonal(both, 0.0)
        np.fill_diagonal(shared, both.sum(axis=1))
        covariance[inside] += shared
    return np.asarray(covariance)


def _reach(links: Flags) -> Flags:
    """Whether a path of links leads from each entry to each other; from each to itself always."""
    reach = links | np.eye(links.shape[0], dtype=bool)
    for through in range(links.shape[0]):
        reach |= reach[:, [through]] & reach[[through], :]
    return reach


def _parts(reach: Flags) -> Indices:
    """The same number for entries that reach each other: that of the first of them."""
    both = reach & reach.T
    return np.asarray(both.argmax(axis=1), dtype=np.intp)
