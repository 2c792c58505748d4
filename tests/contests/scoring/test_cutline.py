"""Chances to be among the best: algebra in small cases, calibration in simulated ones."""

import numpy as np
import pytest
from scipy.stats import norm

from contests.scoring import cutline
from contests.scoring.cutline import _posterior, chances_above
from contests.scoring.severity import Hearings, fit_severity
from tests.contests.scoring.test_severity import unit_covariance


def complete(totals: np.ndarray) -> Hearings:
    """Every judge hears every entry; `totals` has shape (n_entries, n_judges)."""
    n_entries, n_judges = totals.shape
    entry, judge = np.divmod(np.arange(totals.size), n_judges)
    return Hearings(entry, judge, totals.ravel(), n_entries, n_judges)


def simulated(seed: int, n_entries: int = 60, n_judges: int = 12, hearings: int = 3):
    """True qualities and the fit of a contest: quality sd 1, severity sd 0.8, error sd 0.7."""
    rng = np.random.default_rng(seed)
    quality = rng.standard_normal(n_entries)
    severity = rng.normal(0, 0.8, n_judges)
    entry = np.repeat(np.arange(n_entries), hearings)
    judge = np.concatenate([rng.permutation(n_judges)[:hearings] for _ in range(n_entries)])
    total = quality[entry] + severity[judge] + rng.normal(0, 0.7, entry.size)
    return quality, fit_severity(Hearings(entry, judge, total, n_entries, n_judges))


class TestChancesAbove:
    @pytest.mark.parametrize("keep", [1, 7, 20, 59])
    def test_they_sum_to_the_places(self, keep):
        assert chances_above(simulated(1)[1], keep).sum() == pytest.approx(keep)

    def test_where_all_go_on_all_are_sure(self):
        fit = simulated(1)[1]
        assert (chances_above(fit, 60) == 1).all()
        assert (chances_above(fit, 100) == 1).all()

    def test_a_better_score_never_has_the_smaller_chance_where_errors_are_equal(self):
        rng = np.random.default_rng(3)
        fit = fit_severity(complete(rng.standard_normal((15, 1)) + 0.5 * rng.standard_normal((15, 4))))
        chances = chances_above(fit, 5)[np.argsort(fit.adjusted)]
        # Two chances that are alike differ by the draws: three standard errors of a proportion.
        assert (np.diff(chances) > -3 * np.sqrt(2 * 0.25 / 4000)).all()

    def test_two_entries_are_a_matter_of_algebra(self):
        """Posterior of a difference d: mean d·w, variance 2·τ²·(1 − w), with w = τ²/(τ² + v).

        v is the error variance of one score, σ²/k; the judges' common part cancels in the difference.
        """
        rng = np.random.default_rng(7)
        totals = np.array([[0.8], [0.0]]) + 0.6 * rng.standard_normal((2, 6))
        fit = fit_severity(complete(totals))
        gap = float(fit.adjusted[0] - fit.adjusted[1])
        error = fit.residual_sd**2 / 6
        field = max(0.0, gap**2 / 2 - error)
        assert field > 0
        weight = field / (field + error)
        expected = norm.cdf(gap * weight / np.sqrt(2 * field * (1 - weight)))
        assert chances_above(fit, 1)[0] == pytest.approx(expected, abs=0.03)

    def test_draws_come_from_the_posterior(self):
        """Mean τ²S⁻¹(y − ȳ), covariance τ²I − τ⁴S⁻¹, S = τ²I + σ²V: the normal posterior by its definition.

        V is the fit's whole covariance for a residual variance of 1, a square matrix that no draw needs.
        """
        fit = simulated(2, n_entries=12, n_judges=6)[1]
        field = 0.7
        drawn = np.concatenate(list(_posterior(fit, field, draws=40_000)))
        assert drawn.shape == (40_000, 12)
        inverse = np.linalg.inv(field * np.eye(12) + fit.residual_sd**2 * unit_covariance(fit))
        mean = field * inverse @ (fit.adjusted - fit.adjusted.mean())
        covariance = field * np.eye(12) - field**2 * inverse
        variance = np.diag(covariance)
        # Five standard errors of a mean and of a covariance of normal values.
        assert (np.abs(drawn.mean(axis=0) - mean) < 5 * np.sqrt(variance / 40_000)).all()
        room = np.sqrt((np.outer(variance, variance) + covariance**2) / 40_000)
        assert (np.abs(np.cov(drawn, rowvar=False) - covariance) < 5 * room).all()

    def test_a_field_of_thousands_is_drawn_block_by_block(self, monkeypatch):
        fit = simulated(1)[1]
        whole = chances_above(fit, 7)
        monkeypatch.setattr(cutline, "NUMBERS_AT_ONCE", 60 * 33)
        assert chances_above(fit, 7) == pytest.approx(whole, abs=5 * np.sqrt(2 * 0.25 / 4000))
        assert chances_above(fit, 7).sum() == pytest.approx(7)

    def test_a_field_that_does_not_differ_has_equal_chances(self):
        """The entries' means are 5 exactly, so nothing but error is in the scores."""
        totals = np.array([[4.0, 6.0, 5.0], [6.0, 5.0, 4.0], [5.0, 4.0, 6.0]])
        np.testing.assert_allclose(chances_above(fit_severity(complete(totals)), 1), 1 / 3)

    def test_without_errors_the_places_decide_and_equals_go_together(self):
        totals = np.array([[8.0, 7.0], [6.0, 5.0], [6.0, 5.0], [3.0, 2.0]])
        np.testing.assert_array_equal(chances_above(fit_severity(complete(totals)), 2), [1, 1, 1, 0])

    def test_without_a_degree_of_freedom_nothing_is_said(self):
        hearings = Hearings(np.array([0, 1, 1, 2]), np.array([0, 0, 1, 1]), np.array([8.0, 6, 4, 5]), 3, 2)
        assert chances_above(fit_severity(hearings), 1) is None

    def test_nobody_cannot_go_on(self):
        with pytest.raises(ValueError, match="at least one"):
            chances_above(simulated(1)[1], 0)

    def test_what_it_calls_likely_is_so_often(self):
        """60 contests of 60: in each band the share of true members meets the stated chances."""
        stated, true = [], []
        for seed in range(60):
            quality, fit = simulated(seed)
            stated.append(chances_above(fit, 20))
            true.append(quality >= np.sort(quality)[-20])
        chance, is_in = np.concatenate(stated), np.concatenate(true)
        for low, high in [(0.0, 0.1), (0.1, 0.3), (0.3, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 1.01)]:
            band = (chance >= low) & (chance < high)
            expected, found = chance[band].mean(), is_in[band].mean()
            # Entries of one contest are not independent; four plain standard errors leave room for that.
            room = 4 * np.sqrt(expected * (1 - expected) / band.sum())
            assert found == pytest.approx(expected, abs=room), (low, high)
