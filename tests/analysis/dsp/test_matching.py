"""The common level of a set. Expected values: algebra (BS.1770-5: a gain moves loudness and peak alike)."""

import math

import numpy as np
import pytest

from analysis.dsp.matching import common_rate_hz, plan_levels


class TestPlanLevels:
    def test_it_keeps_the_wish_when_every_peak_allows_it(self):
        plan = plan_levels([-14.0, -20.0], [-0.5, -9.0])
        assert plan.level_lufs == -18.0
        assert plan.gains_db == (-4.0, 2.0)
        assert plan.limiting is None
        assert plan.lowered_db == 0.0

    def test_it_lowers_all_when_one_would_pass_the_ceiling(self):
        # The second would peak at -2 + 5 = +3 dBTP at the wish, 4 dB over the ceiling of -1.
        plan = plan_levels([-14.0, -23.0], [-0.5, -2.0])
        assert plan.level_lufs == -22.0
        assert plan.gains_db == (-8.0, 1.0)
        assert plan.limiting == 1
        assert plan.lowered_db == 4.0

    def test_it_lets_a_peak_stand_exactly_at_the_ceiling(self):
        plan = plan_levels([-18.0], [-1.0])
        assert plan.limiting is None
        assert plan.gains_db == (0.0,)

    def test_it_gives_a_silent_one_no_gain_and_lets_it_lower_nobody(self):
        plan = plan_levels([-math.inf, -20.0, -math.inf], [-math.inf, -9.0, 2.0])
        assert plan.gains_db == (None, 2.0, None)
        assert plan.silent == (0, 2)
        assert plan.level_lufs == -18.0

    def test_it_answers_for_a_set_of_silence(self):
        plan = plan_levels([-math.inf], [-math.inf], wished_lufs=-23.0)
        assert (plan.level_lufs, plan.limiting, plan.lowered_db) == (-23.0, None, 0.0)

    def test_no_gain_differs_by_more_than_the_loudness_did_and_no_peak_passes_the_ceiling(self):
        rng = np.random.default_rng(7)
        for _ in range(200):
            loudness = rng.uniform(-40, -6, 12)
            peaks = loudness + rng.uniform(3, 25, 12)
            plan = plan_levels(list(loudness), list(peaks), wished_lufs=-16.0, ceiling_dbtp=-2.0)
            gains = np.array(plan.gains_db, dtype=float)
            assert np.allclose(loudness + gains, plan.level_lufs, atol=1e-9, rtol=0)
            assert np.all(peaks + gains <= -2.0 + 1e-9)
            # The highest level that is allowed: either the wish, or one peak touches the ceiling.
            if plan.limiting is None:
                assert plan.level_lufs == -16.0
            else:
                assert peaks[plan.limiting] + gains[plan.limiting] == pytest.approx(-2.0, abs=1e-9)

    @pytest.mark.parametrize(
        ("loudness", "peaks"),
        [([], []), ([-14.0], []), ([math.nan], [-1.0]), ([-14.0], [math.nan]), ([math.inf], [-1.0])],
    )
    def test_it_refuses_what_is_not_a_list_of_levels(self, loudness, peaks):
        with pytest.raises(ValueError, match=r"loudness"):
            plan_levels(loudness, peaks)

    def test_it_refuses_a_wish_that_is_not_finite(self):
        with pytest.raises(ValueError, match="finite"):
            plan_levels([-14.0], [-1.0], wished_lufs=-math.inf)


class TestCommonRate:
    @pytest.mark.parametrize(
        ("rates_hz", "common_hz"),
        [([44_100, 44_100], 44_100), ([96_000], 96_000), ([44_100, 96_000], 48_000), ([], 48_000)],
    )
    def test_it_is_the_sets_own_where_all_agree(self, rates_hz, common_hz):
        assert common_rate_hz(rates_hz) == common_hz
