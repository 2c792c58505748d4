"""Judge severity against published incomplete designs, a hand calculation and general least squares."""

import numpy as np
import pytest
from numpy.typing import NDArray

from contests.scoring.severity import Hearings, SeverityFit, fit_severity, reduced_judge_matrix

GONE = np.nan

# Montgomery, Design and Analysis of Experiments, balanced incomplete blocks, catalyst example (tables 4.21
# and 4.22 of the 5th and 6th editions: numbering M; data S). Catalysts are entries, batches are judges.
# Marks here and below: V recomputed with another library, S seen in print, M from memory.
CATALYSTS = np.array(
    [
        [73, 74, GONE, 71],
        [GONE, 75, 67, 72],
        [73, 75, 68, GONE],
        [75, GONE, 72, 75],
    ]
)


def hearings_of(grid: NDArray[np.float64]) -> Hearings:
    entry_index, judge_index = np.nonzero(np.isfinite(grid))
    return Hearings(entry_index, judge_index, grid[entry_index, judge_index], *grid.shape)


def random_grid(seed: int, n_entries: int = 12, n_judges: int = 5, kept: float = 0.6) -> NDArray[np.float64]:
    """Scores with a chain of common entries through it, so that it is always connected."""
    rng = np.random.default_rng(seed)
    grid = rng.normal(6.5, 1.0, (n_entries, n_judges))
    hidden = rng.random(grid.shape) > kept
    for judge in range(n_judges):
        hidden[judge, [judge, (judge + 1) % n_judges]] = False
    hidden[np.arange(n_entries), rng.integers(n_judges, size=n_entries)] = False
    grid[hidden] = GONE
    return grid


def plain_least_squares(grid: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The same model by numpy's general solver on the whole design matrix, as an independent reference."""
    hearings = hearings_of(grid)
    n_entries, n_judges = grid.shape
    rows = np.arange(hearings.total.size)
    design = np.zeros((rows.size + 1, n_entries + n_judges))
    design[rows, hearings.entry_index] = 1.0
    design[rows, n_entries + hearings.judge_index] = 1.0
    design[-1, n_entries:] = 1.0
    solver = np.linalg.pinv(design)[:, :-1]  # the constraint's row carries a 0 without error
    return solver @ hearings.total, (solver @ solver.T)[:n_entries, :n_entries]


def unit_covariance(fit: SeverityFit) -> NDArray[np.float64]:
    """The whole covariance of the adjusted scores for a residual variance of 1, from its two factors."""
    return np.diag(1.0 / fit.hearings_of_entry) + fit.through_judges @ fit.through_judges.T


class TestCatalysts:
    """Montgomery's printed results: M; recomputed with statsmodels' ordinary least squares: V."""

    @pytest.fixture
    def fit(self) -> SeverityFit:
        return fit_severity(hearings_of(CATALYSTS))

    def test_it_gives_the_adjusted_means(self, fit):
        np.testing.assert_allclose(fit.adjusted, [71.375, 71.625, 72.0, 75.0], atol=1e-12)
        np.testing.assert_allclose(fit.adjusted - 72.5, [-9 / 8, -7 / 8, -4 / 8, 20 / 8], atol=1e-12)

    def test_it_gives_the_judge_effects(self, fit):
        np.testing.assert_allclose(fit.judge_effect, [0.875, 3.0, -3.875, 0.0], atol=1e-12)

    def test_it_gives_the_error_and_its_freedom(self, fit):
        assert fit.degrees_of_freedom == 5
        assert fit.residual_sd**2 == pytest.approx(0.65, abs=1e-12)

    def test_it_gives_the_standard_errors(self, fit):
        np.testing.assert_allclose(fit.standard_error(), [0.486805] * 4, atol=5e-7)
        np.testing.assert_allclose(
            fit.residual_sd * fit.unit_difference_sd(3), [0.698212] * 3 + [0.0], atol=5e-7
        )

    def test_it_turns_the_raw_order_round(self, fit):
        raw = np.nanmean(CATALYSTS, axis=1)
        np.testing.assert_allclose(raw, [72.667, 71.333, 72.0, 74.0], atol=5e-4)
        assert list(np.argsort(-raw)) == [3, 0, 2, 1]
        assert list(np.argsort(-fit.adjusted)) == [3, 2, 1, 0]


class TestIceCream:
    """Conover, Practical Nonparametric Statistics, 3rd ed., p. 391: seven judges, three of seven varieties.

    Data S (the example of durbin.test in R's agricolae); effects V (statsmodels).
    """

    def test_it_gives_the_effects(self):
        ranks = {
            0: {0: 2, 1: 3, 3: 1},
            1: {1: 3, 2: 1, 4: 2},
            2: {2: 2, 3: 1, 5: 3},
            3: {3: 1, 4: 2, 6: 3},
            4: {0: 3, 4: 1, 5: 2},
            5: {1: 3, 5: 1, 6: 2},
            6: {0: 3, 2: 1, 6: 2},
        }
        grid = np.full((7, 7), GONE)
        for judge, given in ranks.items():
            for variety, rank in given.items():
                grid[variety, judge] = rank
        fit = fit_severity(hearings_of(grid))
        expected = [0.857143, 1.285714, -0.857143, -1.285714, -0.428571, 0.0, 0.428571]
        np.testing.assert_allclose(fit.adjusted - fit.adjusted.mean(), expected, atol=5e-7)


class TestNoFreedom:
    """By hand: judge 1 gives A 8, B 6; judge 2 gives B 4, C 5. The gap on B is 2: effects +1 and −1. V."""

    def test_it_adjusts_and_gives_no_standard_error(self):
        fit = fit_severity(hearings_of(np.array([[8.0, GONE], [6.0, 4.0], [GONE, 5.0]])))
        np.testing.assert_allclose(fit.adjusted, [7.0, 5.0, 6.0], atol=1e-12)
        np.testing.assert_allclose(fit.judge_effect, [1.0, -1.0], atol=1e-12)
        assert fit.degrees_of_freedom == 0
        assert fit.residual_sd is None
        assert fit.standard_error() is None
        assert fit.standard_error_of_effect() is None


class TestGeneralLeastSquares:
    @pytest.mark.parametrize("seed", range(8))
    def test_it_agrees_with_the_whole_design_matrix(self, seed):
        grid = random_grid(seed)
        solution, covariance = plain_least_squares(grid)
        fit = fit_severity(hearings_of(grid))
        np.testing.assert_allclose(np.append(fit.adjusted, fit.judge_effect), solution, atol=1e-10)
        np.testing.assert_allclose(unit_covariance(fit), covariance, atol=1e-10)
        spread = np.sqrt(np.diag(covariance) + covariance[3, 3] - 2 * covariance[3])
        np.testing.assert_allclose(fit.unit_difference_sd(3), spread, atol=1e-9)


class TestProperties:
    """What holds for any additive least squares, by algebra."""

    def test_it_does_not_care_about_order(self):
        grid = random_grid(1)
        rng = np.random.default_rng(2)
        entries, judges = rng.permutation(grid.shape[0]), rng.permutation(grid.shape[1])
        moved = fit_severity(hearings_of(grid[np.ix_(entries, judges)]))
        np.testing.assert_allclose(
            moved.adjusted, fit_severity(hearings_of(grid)).adjusted[entries], atol=1e-9
        )

    def test_a_constant_on_one_judge_moves_only_that_judge(self):
        grid = random_grid(3)
        harsh = grid.copy()
        harsh[:, 2] -= 3.0
        before, after = fit_severity(hearings_of(grid)), fit_severity(hearings_of(harsh))
        np.testing.assert_allclose(np.diff(after.adjusted), np.diff(before.adjusted), atol=1e-9)
        moved = after.judge_effect - before.judge_effect
        np.testing.assert_allclose(moved - moved.mean(), [0.6, 0.6, -2.4, 0.6, 0.6], atol=1e-9)
        # The raw mean fails this: without it the test would also pass for doing nothing.
        assert np.abs(np.diff(np.nanmean(harsh, axis=1)) - np.diff(np.nanmean(grid, axis=1))).max() > 0.1

    def test_another_scale_changes_only_the_scale(self):
        grid = random_grid(4)
        before, after = fit_severity(hearings_of(grid)), fit_severity(hearings_of(2 * grid + 1))
        np.testing.assert_allclose(after.adjusted, 2 * before.adjusted + 1, atol=1e-9)
        np.testing.assert_allclose(after.standard_error(), 2 * before.standard_error(), atol=1e-9)

    def test_raising_a_score_never_lowers_its_entry_against_another(self):
        rng = np.random.default_rng(5)
        for seed in range(20):
            grid = random_grid(seed)
            before = fit_severity(hearings_of(grid)).adjusted
            for entry, judge in rng.permutation(np.argwhere(np.isfinite(grid)))[:10]:
                raised = grid.copy()
                raised[entry, judge] += rng.uniform(0.1, 3.0)
                gain = fit_severity(hearings_of(raised)).adjusted - before
                assert (gain[entry] - gain >= -1e-9).all()

    def test_equal_sheets_give_equal_scores(self):
        grid = random_grid(6)
        fit = fit_severity(hearings_of(np.vstack([grid, grid[4]])))
        assert fit.adjusted[-1] == pytest.approx(fit.adjusted[4], abs=1e-9)

    def test_a_judge_with_one_hearing_changes_nothing(self):
        grid = random_grid(7)
        alone = np.full((grid.shape[0], 1), GONE)
        alone[2] = 9.9
        before, after = fit_severity(hearings_of(grid)), fit_severity(hearings_of(np.hstack([grid, alone])))
        np.testing.assert_allclose(np.diff(after.adjusted), np.diff(before.adjusted), atol=1e-9)
        assert after.degrees_of_freedom == before.degrees_of_freedom
        assert after.residual_sd == pytest.approx(before.residual_sd, abs=1e-9)

    def test_a_complete_design_gives_the_raw_means(self):
        grid = np.random.default_rng(8).normal(6.5, 1.0, (9, 4))
        np.testing.assert_allclose(fit_severity(hearings_of(grid)).adjusted, grid.mean(axis=1), atol=1e-9)

    def test_the_same_data_twice_narrow_the_error_by_about_root_two(self):
        """Every judge doubled halves the covariance; only the freedom in the variance differs."""
        grid = random_grid(9)
        once, twice = fit_severity(hearings_of(grid)), fit_severity(hearings_of(np.hstack([grid, grid])))
        np.testing.assert_allclose(twice.adjusted, once.adjusted, atol=1e-9)
        ratio = once.standard_error() / twice.standard_error()
        freedom = np.sqrt(twice.degrees_of_freedom / (2 * once.degrees_of_freedom))
        np.testing.assert_allclose(ratio, np.sqrt(2) * freedom, rtol=0.02)

    def test_scores_far_from_nought_keep_their_digits(self):
        grid = random_grid(10)
        far = fit_severity(hearings_of(grid + 900_000.0)).adjusted - 900_000.0
        np.testing.assert_allclose(far, fit_severity(hearings_of(grid)).adjusted, atol=1e-9)


class TestComponents:
    @pytest.fixture
    def panels(self) -> NDArray[np.float64]:
        grid = np.full((6, 6), GONE)
        rng = np.random.default_rng(11)
        grid[:3, :3] = rng.normal(6.0, 1.0, (3, 3))
        grid[3:, 3:] = rng.normal(6.0, 1.0, (3, 3))
        return grid

    def test_two_panels_are_two_components_with_two_zero_eigenvalues(self, panels):
        fit = fit_severity(hearings_of(panels))
        assert fit.components == 2
        assert not fit.connected
        assert fit.degrees_of_freedom == 18 - 6 - 6 + 2
        assert list(fit.component_of_entry) == [0, 0, 0, 1, 1, 1]
        eigenvalues = np.linalg.eigvalsh(reduced_judge_matrix(np.isfinite(panels).astype(float)))
        assert (np.abs(eigenvalues) < 1e-9).sum() == 2

    def test_each_panel_is_fitted_by_itself(self, panels):
        fit = fit_severity(hearings_of(panels))
        np.testing.assert_allclose(fit.adjusted, np.nanmean(panels, axis=1), atol=1e-9)
        assert fit.judge_effect[:3].sum() == pytest.approx(0.0, abs=1e-9)
        assert fit.judge_effect[3:].sum() == pytest.approx(0.0, abs=1e-9)

    def test_one_common_entry_joins_them(self, panels):
        panels[0, 4] = 7.0
        assert fit_severity(hearings_of(panels)).connected


class TestBadHearings:
    def test_it_refuses_a_pair_twice(self):
        with pytest.raises(ValueError, match="average the repeats"):
            Hearings(np.array([0, 0]), np.array([0, 0]), np.array([1.0, 2.0]), 1, 1)

    def test_it_refuses_an_entry_that_nobody_heard(self):
        with pytest.raises(ValueError, match="at least one hearing"):
            Hearings(np.array([0]), np.array([0]), np.array([1.0]), 2, 1)

    def test_it_refuses_what_is_not_a_number(self):
        with pytest.raises(ValueError, match="finite"):
            Hearings(np.array([0]), np.array([0]), np.array([np.nan]), 1, 1)

    def test_it_refuses_nothing_at_all(self):
        with pytest.raises(ValueError, match="no hearing"):
            fit_severity(Hearings(np.array([], int), np.array([], int), np.array([]), 0, 0))
