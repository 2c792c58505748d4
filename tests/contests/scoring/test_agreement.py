"""Agreement against published examples. Marks: V recomputed with another library, S seen, M from memory."""

import numpy as np
import pytest
from scipy.stats import friedmanchisquare

from contests.scoring.agreement import alpha_interval, intraclass_correlation, kendall_w

GONE = np.nan


class TestKendallW:
    def test_it_gives_zars_example_with_ties(self):
        """Zar, Biostatistical Analysis, example 20.5 (5th ed. 2010, p. 450): data M, rank sums S, W V."""
        wing = [10.4, 10.8, 11.1, 10.2, 10.3, 10.2, 10.7, 10.5, 10.8, 11.2, 10.6, 11.4]
        tail = [7.4, 7.6, 7.9, 7.2, 7.4, 7.1, 7.4, 7.2, 7.8, 7.7, 7.8, 8.3]
        bill = [17.0, 17.0, 20.0, 14.5, 15.5, 13.0, 19.5, 16.0, 21.0, 20.0, 18.0, 22.0]
        grid = np.column_stack([wing, tail, bill])
        assert kendall_w(grid) == pytest.approx(0.924135, abs=5e-7)
        assert 3 * 11 * kendall_w(grid) == pytest.approx(30.49646, abs=5e-6)

    def test_it_gives_the_base_runners_friedman(self):
        """Hollander and Wolfe 1973, p. 140 (R's friedman.test), 22 players: M; chi-square 11.142857 V."""
        text = """5.40 5.50 5.55|5.85 5.70 5.75|5.20 5.60 5.50|5.55 5.50 5.40|5.90 5.85 5.70|5.45 5.55 5.60
            5.40 5.40 5.35|5.45 5.50 5.35|5.25 5.15 5.00|5.85 5.80 5.70|5.25 5.20 5.10|5.65 5.55 5.45
            5.60 5.35 5.45|5.05 5.00 4.95|5.50 5.50 5.40|5.45 5.55 5.50|5.55 5.55 5.35|5.45 5.50 5.55
            5.50 5.45 5.25|5.65 5.60 5.40|5.70 5.65 5.55|6.30 6.30 6.25"""
        players = np.array(text.replace("|", " ").split(), dtype=float).reshape(22, 3)
        assert kendall_w(players.T) == pytest.approx(0.2532468, abs=5e-8)
        assert 22 * 2 * kendall_w(players.T) == pytest.approx(11.142857, abs=5e-7)

    @pytest.mark.parametrize("seed", range(5))
    def test_it_is_the_tie_corrected_friedman_test(self, seed):
        grid = np.random.default_rng(seed).integers(1, 5, (8, 4)).astype(float)
        expected = friedmanchisquare(
            *grid
        ).statistic  # one argument a treatment: an entry, heard by all judges
        assert 4 * 7 * kendall_w(grid) == pytest.approx(expected, abs=1e-9)
        assert 0.0 <= kendall_w(grid) <= 1.0

    def test_it_is_1_when_all_orders_are_equal_and_0_when_they_cancel(self):
        assert kendall_w(np.array([[3.0, 9.0], [2.0, 5.0], [1.0, 4.0]])) == pytest.approx(1.0)
        assert kendall_w(np.array([[3.0, 1.0], [2.0, 2.0], [1.0, 3.0]])) == pytest.approx(0.0)

    def test_it_is_not_defined_without_a_difference_or_with_gaps(self):
        assert kendall_w(np.full((5, 3), 7.0)) is None
        assert kendall_w(np.array([[1.0, 2.0], [2.0, GONE]])) is None
        assert kendall_w(np.array([[1.0], [2.0]])) is None
        assert kendall_w(np.array([[1.0, 2.0]])) is None


class TestIntraclassCorrelation:
    # Shrout and Fleiss 1979, Psychological Bulletin 86, 420 to 428, tables 2 to 4: printed table M, digits V.
    GRID = np.array(
        [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], dtype=float
    )

    def test_it_gives_the_mean_squares(self):
        found = intraclass_correlation(self.GRID)
        assert found.entries_mean_square == pytest.approx(11.241667, abs=5e-7)
        assert found.within_mean_square == pytest.approx(6.263889, abs=5e-7)
        assert found.judges_mean_square == pytest.approx(32.486111, abs=5e-7)
        assert found.residual_mean_square == pytest.approx(1.019444, abs=5e-7)

    def test_it_gives_the_correlations(self):
        found = intraclass_correlation(self.GRID)
        assert found.agreement == pytest.approx(0.289764, abs=5e-7)
        assert found.consistency == pytest.approx(0.714841, abs=5e-7)
        assert round(found.agreement, 2) == 0.29
        assert round(found.consistency, 2) == 0.71

    def test_severity_lowers_agreement_and_leaves_consistency(self):
        harsher = self.GRID - np.array([0.0, 0.0, 3.0, 0.0])
        before, after = intraclass_correlation(self.GRID), intraclass_correlation(harsher)
        assert after.consistency == pytest.approx(before.consistency, abs=1e-12)
        assert after.agreement != pytest.approx(before.agreement, abs=1e-3)

    def test_it_is_not_defined_without_a_difference_or_with_gaps(self):
        assert intraclass_correlation(np.full((4, 3), 6.1)) is None
        assert intraclass_correlation(np.array([[1.0, 2.0], [1.0, 2.0]])) is None
        assert intraclass_correlation(np.array([[1.0, 2.0], [2.0, GONE]])) is None
        assert intraclass_correlation(np.array([[1.0], [2.0]])) is None

    def test_agreement_alone_is_not_defined_for_two_opposite_judges(self):
        found = intraclass_correlation(np.array([[1.0, 0.0], [0.0, 1.0]]))
        assert found.agreement is None
        assert found.consistency == pytest.approx(-1.0)


class TestAlphaInterval:
    # Krippendorff, Computing Krippendorff's Alpha-Reliability, 2011, the example with missing data: data S
    # (KrippAlpha in R's DescTools), value M and V (krippendorff 0.9.0).
    GRID = np.array(
        [
            [1, 2, 3, 3, 2, 1, 4, 1, 2, GONE, GONE, GONE],
            [1, 2, 3, 3, 2, 2, 4, 1, 2, 5, GONE, 3],
            [GONE, 3, 3, 3, 2, 3, 4, 2, 2, 5, 1, GONE],
            [1, 2, 3, 3, 2, 4, 4, 1, 2, 5, 1, GONE],
        ]
    ).T

    def test_it_gives_the_published_value(self):
        assert alpha_interval(self.GRID) == pytest.approx(0.849107, abs=5e-7)

    def test_a_single_score_drops_out(self):
        assert alpha_interval(self.GRID[:-1]) == pytest.approx(alpha_interval(self.GRID), abs=1e-12)

    def test_it_is_the_definition_over_all_pairs(self):
        """Observed over expected disagreement, summed pair by pair as the definition has it."""
        grid = np.random.default_rng(0).normal(size=(7, 4))
        grid[[0, 1, 1, 5], [2, 0, 3, 1]] = GONE
        units = [row[np.isfinite(row)] for row in grid]
        values = np.concatenate(units)
        observed = sum((np.subtract.outer(u, u) ** 2).sum() / (u.size - 1) for u in units) / values.size
        expected = (np.subtract.outer(values, values) ** 2).sum() / (values.size * (values.size - 1))
        assert alpha_interval(grid) == pytest.approx(1 - observed / expected, abs=1e-12)

    def test_it_is_1_at_perfect_agreement(self):
        assert alpha_interval(np.array([[1.0, 1.0], [4.0, 4.0], [2.0, GONE]])) == pytest.approx(1.0)

    def test_it_is_not_defined_without_a_difference_or_a_pair(self):
        assert alpha_interval(np.full((3, 2), 5.0)) is None
        assert alpha_interval(np.array([[1.0, GONE], [GONE, 2.0]])) is None
