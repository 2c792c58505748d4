"""The standing's numbers on random sheets, against libraries that others wrote."""

from __future__ import annotations

import warnings

import krippendorff
import numpy as np
import pandas
import pytest
import statsmodels.formula.api as smf

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # what the libraries below it say of one another is not ours
    import pingouin

from contests.scoring.agreement import alpha_interval, intraclass_correlation, kendall_w
from contests.scoring.severity import fit_severity
from contests.scoring.sheets import shares, weighted_hearings
from tests.contests.scoring.test_standing import random_table

SEEDS = range(6)


def complete_grid(seed: int) -> np.ndarray:
    """Totals of 9 entries by 5 judges, rounded so that there are ties, shape (9, 5)."""
    rng = np.random.default_rng(seed)
    grid = 6.5 + rng.standard_normal((9, 1)) + 0.8 * rng.standard_normal((1, 5))
    return np.round(grid + 0.7 * rng.standard_normal((9, 5)), 1)


def long_form(grid: np.ndarray) -> pandas.DataFrame:
    entry, judge = np.indices(grid.shape)
    return pandas.DataFrame({"entry": entry.ravel(), "judge": judge.ravel(), "total": grid.ravel()})


@pytest.mark.filterwarnings("ignore:The inplace keyword")  # what pingouin asks of pandas is not ours
@pytest.mark.parametrize("seed", SEEDS)
class TestAgreement:
    def test_icc_is_pingouins(self, seed):
        grid = complete_grid(seed)
        other = pingouin.intraclass_corr(long_form(grid), targets="entry", raters="judge", ratings="total")
        by_type = dict(zip(other["Type"], other["ICC"], strict=True))
        ours = intraclass_correlation(grid)
        # Named after McGraw and Wong 1996: agreement and consistency of single ratings.
        assert ours.agreement == pytest.approx(by_type["ICC(A,1)"], abs=1e-6)
        assert ours.consistency == pytest.approx(by_type["ICC(C,1)"], abs=1e-6)

    def test_kendalls_w_is_pingouins(self, seed):
        grid = complete_grid(seed)
        other = pingouin.friedman(long_form(grid), dv="total", within="entry", subject="judge")
        assert kendall_w(grid) == pytest.approx(float(other["W"].iloc[0]), abs=1e-9)

    def test_alpha_is_krippendorffs_with_gaps(self, seed):
        grid = complete_grid(seed)
        rng = np.random.default_rng(seed + 100)
        grid[rng.random(grid.shape) < 0.3] = np.nan
        other = krippendorff.alpha(reliability_data=grid.T, level_of_measurement="interval")
        assert alpha_interval(grid) == pytest.approx(other, abs=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_severity_fit_is_that_of_ordinary_least_squares(seed):
    """statsmodels, with judges coded to sum to 0: effects, standard errors of differences, residual sd."""
    table = random_table(seed, n_entries=12, n_judges=5)
    hearings = weighted_hearings(table, shares(table))
    fit = fit_severity(hearings)
    data = pandas.DataFrame({"y": hearings.total, "e": hearings.entry_index, "j": hearings.judge_index})
    other = smf.ols("y ~ C(e) + C(j, Sum)", data).fit()
    assert fit.residual_sd == pytest.approx(np.sqrt(other.mse_resid), abs=1e-9)
    differences = fit.adjusted[1:] - fit.adjusted[0]
    names = [f"C(e)[T.{number}]" for number in range(1, hearings.n_entries)]
    np.testing.assert_allclose(differences, other.params[names], atol=1e-9)
    ours = fit.residual_sd * fit.unit_difference_sd(0)[1:]
    np.testing.assert_allclose(ours, other.bse[names], atol=1e-9)
