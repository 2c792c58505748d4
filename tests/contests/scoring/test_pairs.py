"""Strengths from pairs: against a published example, other libraries, and what must hold of them."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import choix
import numpy as np
import pytest
import statsmodels.api as sm

from contests.scoring.pairs import log_worths, order_score_covariance, pairs_won, strengths_of
from contests.scoring.ties import places

# Agresti, Categorical Data Analysis (2nd edition 2002), section 10.6, pages 437 and 438: games won in the
# 1987 season among seven teams of the American League, by row against column. The table is from memory and
# equals the data of the R package BradleyTerry2 as a public repository prints them. The estimates, the last
# team at 0, are that package's model baseballModel1 (its vignette, section 6); rounded they are Agresti's
# table 10.11 (the package's tests/testthat/test-baseball.R: 0.68 1.11 1.25 1.29 1.44 1.58).
GAMES = np.array(
    [
        [0, 7, 9, 7, 7, 9, 11],
        [6, 0, 7, 5, 11, 9, 9],
        [4, 6, 0, 7, 7, 8, 12],
        [6, 8, 6, 0, 6, 7, 10],
        [6, 2, 6, 7, 0, 7, 12],
        [4, 4, 5, 6, 6, 0, 6],
        [2, 4, 1, 3, 1, 7, 0],
    ]
)
ESTIMATES = [1.5814, 1.4364, 1.2945, 1.2476, 1.1077, 0.6839, 0.0]

SEEDS = range(12)


def as_orders(wins: np.ndarray) -> list[tuple[int, int]]:
    """An order of two for each win."""
    return [(a, b) for (a, b), number in np.ndenumerate(wins) for _ in range(number)]


def random_wins(seed: int, n_entries: int = 6) -> np.ndarray:
    """Wins between entries of random strength, some pairs never met, everybody linked."""
    rng = np.random.default_rng(seed)
    worth = rng.standard_normal(n_entries)
    while True:
        met = rng.integers(0, 9, (n_entries, n_entries)) * (rng.random((n_entries, n_entries)) < 0.7)
        met = np.triu(met, 1)
        won = rng.binomial(met, 1 / (1 + np.exp(worth - worth[:, np.newaxis])))
        wins = won + (met - won).T
        try:
            log_worths(wins)
        except ValueError:
            continue
        return wins


def draw_order(worth: np.ndarray, rng: np.random.Generator) -> list[int]:
    """An order by Plackett and Luce: that of arrival of independent exponential times."""
    return np.argsort(rng.exponential(np.exp(-worth))).tolist()


def random_orders(
    seed: int, n_entries: int = 5, judges: int = 9, heard: int | None = None
) -> list[list[int]]:
    """Orders of different judges, each about `heard` of the entries; all of them if not said."""
    rng = np.random.default_rng(seed)
    worth = 0.6 * rng.standard_normal(n_entries)
    orders = [draw_order(worth, rng) for _ in range(judges)]
    drop = 0 if heard is None else n_entries - heard
    return [[one for one in order if one not in rng.permutation(n_entries)[:drop]] for order in orders]


class TestPublishedExample:
    def test_every_pair_played_thirteen_games(self):
        met = GAMES + GAMES.T
        assert met[~np.eye(7, dtype=bool)].tolist() == [13] * 42

    def test_estimates_are_the_published_ones(self):
        found = strengths_of(as_orders(GAMES), 7)
        np.testing.assert_allclose(found.log_worth - found.log_worth[-1], ESTIMATES, atol=5e-5)
        assert found.place.tolist() == [1, 2, 3, 4, 5, 6, 7]

    def test_two_entries_by_hand(self):
        """Won 3 of 4: log odds ln 3, so ±ln 3 / 2; the variance of log odds is 1/3 + 1/1."""
        found = strengths_of([(0, 1)] * 3 + [(1, 0)], 2)
        np.testing.assert_allclose(found.log_worth, [np.log(3) / 2, -np.log(3) / 2], atol=1e-12)
        np.testing.assert_allclose(found.standard_error, [np.sqrt(4 / 3) / 2] * 2, atol=1e-12)


@pytest.mark.parametrize("seed", SEEDS)
class TestAgainstOthers:
    def test_strengths_and_errors_are_those_of_a_logistic_regression_without_intercept(self, seed):
        """statsmodels, on single pairs: with entry 0 at 0, then brought to a sum of 0."""
        wins = random_wins(seed)
        pairs = as_orders(wins)
        design = np.zeros((len(pairs), wins.shape[0]))
        for row, (better, worse) in enumerate(pairs):
            design[row, [better, worse]] = 1, -1
        # The same game seen from either side is the same; half of them turned, the outcome is no constant.
        turned = np.arange(len(pairs)) % 2 == 1
        design[turned] *= -1
        other = sm.GLM(~turned, design[:, 1:], family=sm.families.Binomial()).fit(tol=1e-12)
        centred = np.vstack([np.zeros(wins.shape[0] - 1), np.eye(wins.shape[0] - 1)])
        centred -= centred.mean(axis=0)
        found = strengths_of(pairs, wins.shape[0])
        np.testing.assert_allclose(found.log_worth, centred @ other.params, atol=1e-7)
        errors = np.sqrt(np.diag(centred @ other.cov_params() @ centred.T))
        np.testing.assert_allclose(found.standard_error, errors, atol=1e-6)

    def test_strengths_are_choixs(self, seed):
        wins = random_wins(seed)
        np.testing.assert_allclose(log_worths(wins), choix.ilsr_pairwise_dense(wins, tol=1e-12), atol=1e-8)

    def test_of_pairs_alone_they_are_those_of_plackett_and_luce(self, seed):
        """choix, as orders of two, by its method for whole orders."""
        pairs = as_orders(random_wins(seed))
        other = choix.ilsr_rankings(6, pairs, tol=1e-12)
        np.testing.assert_allclose(strengths_of(pairs, 6).log_worth, other, atol=1e-8)

    def test_worths_that_sum_to_1_are_the_fixed_point_of_hunters_algorithm(self, seed):
        """Hunter 2004, equation 3: wins over Σ games / (worth + worth), then divided so that Σ worth = 1."""
        wins = random_wins(seed)
        met, worth = wins + wins.T, np.full(6, 1 / 6)
        for _ in range(5000):
            worth = wins.sum(axis=1) / (met / (worth[:, np.newaxis] + worth)).sum(axis=1)
            worth /= worth.sum()
        ours = np.exp(log_worths(wins))
        np.testing.assert_allclose(ours / ours.sum(), worth, atol=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
class TestWhatMustHold:
    def test_the_order_of_judges_does_not_matter(self, seed):
        orders = random_orders(seed, heard=4)
        there, back = strengths_of(orders, 5), strengths_of(orders[::-1], 5)
        np.testing.assert_allclose(there.log_worth, back.log_worth, atol=1e-10)
        np.testing.assert_allclose(there.standard_error, back.standard_error, atol=1e-10)
        assert there.place.tolist() == back.place.tolist()

    def test_the_numbers_of_entries_do_not_matter(self, seed):
        orders = random_orders(seed, heard=4)
        new = np.random.default_rng(seed + 50).permutation(5)
        plain, renamed = strengths_of(orders, 5), strengths_of([new[order].tolist() for order in orders], 5)
        np.testing.assert_allclose(renamed.log_worth[new], plain.log_worth, atol=1e-10)
        np.testing.assert_allclose(renamed.standard_error[new], plain.standard_error, atol=1e-10)
        assert renamed.place[new].tolist() == plain.place.tolist()
        together = plain.group == plain.group[:, np.newaxis]
        again = renamed.group[new] == renamed.group[new][:, np.newaxis]
        assert together.tolist() == again.tolist()

    def test_turning_every_order_round_turns_the_strengths_round(self, seed):
        orders = random_orders(seed)
        there, back = strengths_of(orders, 5), strengths_of([order[::-1] for order in orders], 5)
        np.testing.assert_allclose(there.log_worth, -back.log_worth, atol=1e-10)
        assert there.group.tolist() == back.group.tolist()

    def test_every_judge_twice_leaves_strengths_and_halves_the_variance(self, seed):
        orders = random_orders(seed, heard=4)
        once, twice = strengths_of(orders, 5), strengths_of(orders * 2, 5)
        np.testing.assert_allclose(once.log_worth, twice.log_worth, atol=1e-10)
        np.testing.assert_allclose(once.standard_error, np.sqrt(2) * twice.standard_error, atol=1e-10)

    def test_expected_wins_are_those_that_were_won_whatever_is_added_to_all(self, seed):
        wins = random_wins(seed)
        for added in (0.0, 5.0, -3.0):
            worth = log_worths(wins) + added
            expected = ((wins + wins.T) / (1 + np.exp(worth - worth[:, np.newaxis]))).sum(axis=1)
            np.testing.assert_allclose(expected, wins.sum(axis=1), atol=1e-9)
        assert log_worths(wins).sum() == pytest.approx(0, abs=1e-10)

    def test_where_all_order_all_the_places_are_bordas(self, seed):
        orders = random_orders(seed, n_entries=6, judges=15)
        points = (5 - np.argsort(orders, axis=1)).mean(axis=0)
        found = strengths_of(orders, 6)
        assert np.unique(found.group).size == 1
        assert found.place.tolist() == places(points).tolist()


class TestErrors:
    @pytest.mark.parametrize("worth", [[0.0] * 4, [1.2, 0.3, -0.2, -1.3], [3.0, 0.0, 0.0, -3.0]])
    def test_the_covariance_of_an_orders_wins_is_that_over_all_orders(self, worth):
        """All 24 orders with their chances by Plackett and Luce, one after the other."""
        weights = np.exp(worth)
        chances, won = [], []
        for order in itertools.permutations(range(4)):
            left = [weights[list(order[at:])].sum() for at in range(4)]
            chances.append(np.prod(weights[list(order)] / left))
            won.append([3 - order.index(entry) for entry in range(4)])
        assert sum(chances) == pytest.approx(1.0)
        expected = np.cov(np.array(won).T, aweights=chances, ddof=0)
        np.testing.assert_allclose(order_score_covariance(np.array(worth)), expected, atol=1e-12)

    @pytest.mark.parametrize("n_entries", [2, 3, 5, 8])
    def test_among_equals_it_is_the_known_multiple_of_that_of_independent_pairs(self, n_entries):
        """The variance of a rank among m equals is (m² − 1)/12, that of m − 1 fair trials (m − 1)/4."""
        covariance = order_score_covariance(np.zeros(n_entries))
        np.testing.assert_allclose(np.diag(covariance), (n_entries**2 - 1) / 12, atol=1e-12)
        orders = list(itertools.permutations(range(n_entries)))[:: 1 if n_entries < 8 else 7]
        orders += [order[::-1] for order in orders]
        if n_entries < 6:
            whole = strengths_of(orders, n_entries)
            alone = strengths_of(as_orders(pairs_won(orders, n_entries)), n_entries)
            ratio = whole.standard_error / alone.standard_error
            np.testing.assert_allclose(ratio, np.sqrt((n_entries + 1) / 3), atol=1e-9)

    def test_they_are_as_large_as_strengths_scatter(self):
        """400 finals of six mixes by 40 judges: within 10% (three standard errors of a standard deviation).

        Taken as independent, the pairs of an order would give errors some 1.5 times too small.
        """
        rng = np.random.default_rng(8)
        worth = np.array([0.9, 0.5, 0.1, -0.2, -0.5, -0.8])
        found = [strengths_of([draw_order(worth, rng) for _ in range(40)], 6) for _ in range(400)]
        scatter = np.std([one.log_worth for one in found], axis=0)
        stated = np.mean([one.standard_error for one in found], axis=0)
        np.testing.assert_allclose(stated / scatter, 1.0, atol=0.11)


def parts(numbers: np.ndarray) -> list[list[int]]:
    """The entries that have the same number."""
    return sorted(np.flatnonzero(numbers == one).tolist() for one in np.unique(numbers))


class TestWithoutABound:
    def test_who_wins_everything_has_no_strength_and_the_rest_keep_theirs(self):
        others = [[1, 2, 3], [2, 1, 3], [3, 1, 2]]
        found = strengths_of([[0, *order] for order in others], 4)
        assert np.isnan(found.log_worth[0])
        assert np.isnan(found.standard_error[0])
        alone = strengths_of([[one - 1 for one in order] for order in others], 3)
        np.testing.assert_allclose(found.log_worth[1:], alone.log_worth, atol=1e-12)
        np.testing.assert_allclose(found.standard_error[1:], alone.standard_error, atol=1e-12)
        assert found.place.tolist() == [1, 2, 3, 4]
        assert parts(found.group) == [[0], [1, 2, 3]]
        assert parts(found.island) == [[0, 1, 2, 3]]

    def test_a_wall_between_two_groups(self):
        """Nobody puts C or D before A or B: Ford's condition fails, within each half it holds."""
        found = strengths_of([[0, 1, 2, 3], [1, 0, 3, 2], [0, 1, 3, 2]], 4)
        assert parts(found.group) == [[0, 1], [2, 3]]
        np.testing.assert_allclose(found.log_worth, np.array([1, -1, -1, 1]) * np.log(2) / 2, atol=1e-12)
        assert found.place.tolist() == [1, 2, 4, 3]

    def test_orders_that_share_no_entry(self):
        found = strengths_of([[0, 1], [1, 0], [2, 3], [3, 2]], 4)
        assert parts(found.island) == [[0, 1], [2, 3]]
        np.testing.assert_allclose(found.log_worth, 0, atol=1e-12)
        assert found.place.tolist() == [1, 1, 1, 1]

    def test_one_judge_alone_bounds_nothing(self):
        found = strengths_of([[2, 0, 1]], 3)
        assert np.isnan(found.log_worth).all()
        assert found.place.tolist() == [2, 3, 1]
        assert parts(found.island) == [[0, 1, 2]]

    def test_of_nothing_nothing_follows(self):
        found = strengths_of([], 2)
        assert np.isnan(found.log_worth).all()
        assert found.place.tolist() == [1, 1]

    @pytest.mark.parametrize("seed", range(40))
    def test_no_number_is_ever_huge(self, seed):
        """Few judges and many mixes, as finals are: whatever is told is told with a usable error."""
        rng = np.random.default_rng(seed)
        orders = random_orders(seed, n_entries=int(rng.integers(2, 9)), judges=int(rng.integers(1, 6)))
        found = strengths_of(orders, max(map(max, orders)) + 1)
        told = ~np.isnan(found.log_worth)
        assert (np.abs(found.log_worth[told]) < 12).all()
        assert (found.standard_error[told] > 0).all()
        assert (found.standard_error[told] < 12).all()
        assert (np.isnan(found.standard_error) == ~told).all()

    @pytest.mark.parametrize(
        "wins", [[[0, 1], [0, 0]], [[0, 0], [0, 0]], [[0, 2, 2], [1, 0, 2], [0, 0, 0]]], ids=str
    )
    def test_a_maximum_that_does_not_exist_is_refused(self, wins: Sequence[Sequence[int]]):
        with pytest.raises(ValueError, match="no maximum exists"):
            log_worths(np.array(wins))

    @pytest.mark.parametrize("n_entries", [3, 12, 40])
    def test_it_settles_where_one_single_upset_closes_a_long_chain(self, n_entries):
        """Each beats the next a thousand times, and the last beat the first once."""
        wins = np.zeros((n_entries, n_entries), dtype=np.int64)
        wins[np.arange(n_entries - 1), np.arange(1, n_entries)] = 1000
        wins[-1, 0] = 1
        worth = log_worths(wins)
        assert (np.diff(worth) < 0).all()
        expected = ((wins + wins.T) / (1 + np.exp(worth - worth[:, np.newaxis]))).sum(axis=1)
        np.testing.assert_allclose(expected, wins.sum(axis=1), rtol=1e-9)
