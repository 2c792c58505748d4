"""Compressor, gate and limiter curves against arithmetic and the published formulas."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from analysis.dsp.curves.dynamics import (
    Compression,
    Expansion,
    compressed_db,
    compression_db,
    expanded_db,
    expansion_db,
    level_reduced_by_db,
    step_response,
)
from analysis.dsp.curves.errors import CurveError


def at(level_db: float) -> np.ndarray:
    """One level."""
    return np.array([level_db])


class TestCompression:
    @pytest.mark.parametrize(
        ("ratio", "over_db", "reduction_db"), [(1.5, 3, 1), (4, 4, 3), (2, 10, 5), (1, 9, 0)]
    )
    def test_arithmetic(self, ratio, over_db, reduction_db):
        # over - over / ratio
        settings = Compression(-18, ratio)
        assert compression_db(at(-18 + over_db), settings) == pytest.approx(reduction_db)
        assert compressed_db(at(-18 + over_db), settings) == pytest.approx(-18 + over_db - reduction_db)

    def test_a_limiter_lets_nothing_above(self):
        levels = np.linspace(-30, 20, 51)
        assert compressed_db(levels, Compression(-1, math.inf)).max() == -1

    def test_below_the_threshold_nothing_happens_but_the_make_up(self):
        levels = np.array([-math.inf, -60.0, -18.0])
        assert compressed_db(levels, Compression(-18, 4, make_up_db=2)).tolist() == [-math.inf, -58.0, -16.0]

    def test_the_knee_is_the_paper_s(self):
        # Giannoulis et al. (2012), equation (4): x_G + (1/R - 1) (x_G - T + W/2)^2 / (2 W) inside the knee.
        threshold, ratio, knee = -20.0, 4.0, 8.0
        levels = np.linspace(threshold - 6, threshold + 6, 49)
        inside = levels + (1 / ratio - 1) * (levels - threshold + knee / 2) ** 2 / (2 * knee)
        expected = np.where(
            2 * (levels - threshold) < -knee,
            levels,
            np.where(
                2 * np.abs(levels - threshold) <= knee, inside, threshold + (levels - threshold) / ratio
            ),
        )
        assert np.allclose(compressed_db(levels, Compression(threshold, ratio, knee)), expected)

    @pytest.mark.parametrize("knee_db", [0.0, 6.0, 20.0])
    @pytest.mark.parametrize("reduction_db", [0.2, 1.0, 3.0, 12.0])
    def test_the_level_of_a_reduction_is_the_reduction_of_that_level(self, knee_db, reduction_db):
        settings = Compression(-24, 4, knee_db)
        level_db = level_reduced_by_db(reduction_db, settings)
        assert compression_db(at(level_db), settings) == pytest.approx(reduction_db)

    def test_no_level_is_reduced_at_one_to_one(self):
        with pytest.raises(CurveError):
            level_reduced_by_db(1, Compression(0, 1))

    @pytest.mark.parametrize(
        "wrong", [{"ratio": 0.5}, {"ratio": math.nan}, {"knee_db": -1}, {"threshold_db": math.inf}]
    )
    def test_what_is_no_compressor_is_refused(self, wrong):
        with pytest.raises(CurveError):
            Compression(**{"threshold_db": -18.0, "ratio": 2.0} | wrong)


class TestExpansion:
    def test_arithmetic(self):
        # Two to one: 5 dB below come out 10 dB below.
        assert expanded_db(at(-45), Expansion(-40, 2)) == pytest.approx(-50)
        assert expanded_db(at(-30), Expansion(-40, 2)) == pytest.approx(-30)

    def test_it_lowers_by_its_range_at_most(self):
        assert expansion_db(at(-90), Expansion(-40, 4, range_db=12)) == pytest.approx(12)

    def test_a_gate_shuts_at_once_below_and_is_open_at_the_threshold(self):
        gate = Expansion(-40, math.inf, range_db=30)
        assert expansion_db(np.array([-40.0, -40.001, -90.0]), gate).tolist() == [0, 30, 30]
        assert expanded_db(at(-50), Expansion(-40, math.inf)).tolist() == [-math.inf]

    def test_its_knee_is_the_compressor_s_mirrored(self):
        levels = np.linspace(-60, -20, 81)
        lowered = expansion_db(levels, Expansion(-40, 2, knee_db=6))
        mirrored = compression_db(-80 - levels, Compression(-40, math.inf, knee_db=6))
        assert np.allclose(lowered, mirrored)

    @pytest.mark.parametrize(
        "wrong", [{"ratio": 0.5}, {"range_db": -1}, {"knee_db": -1}, {"ratio": math.inf, "knee_db": 3}]
    )
    def test_what_is_no_expander_is_refused(self, wrong):
        with pytest.raises(CurveError):
            Expansion(**{"threshold_db": -40.0, "ratio": 2.0} | wrong)


class TestStep:
    def test_after_the_attack_63_percent_are_there_and_after_the_release_37_are_left(self):
        # 1 - 1/e and 1/e: what the time constant of a one-pole is.
        step = step_response(
            steady_db=6, attack_s=0.015, release_s=0.5, held_s=0.15, after_s=1.5, n_points=151
        )
        assert step.time_s[[15, 150, 200]] == pytest.approx([0.015, 0.15, 0.65])
        assert step.reduction_db[15] == pytest.approx(6 * (1 - 1 / math.e), rel=1e-9)
        held = step.reduction_db[150]
        assert held == pytest.approx(6, rel=1e-4)
        assert step.reduction_db[200] == pytest.approx(held / math.e, rel=1e-9)

    def test_each_branch_is_scipy_s_one_pole(self):
        step = step_response(steady_db=1, attack_s=0.02, release_s=9, held_s=1, after_s=1, n_points=101)
        pole = math.exp(-0.01 / 0.02)
        wanted = np.concatenate(([0.0], np.ones(100)))
        expected = signal.lfilter([1 - pole], [1, -pole], wanted)
        assert np.allclose(step.reduction_db[:101], expected)

    def test_no_time_is_at_once(self):
        step = step_response(steady_db=3, attack_s=0, release_s=0, held_s=0.5, after_s=1, n_points=4)
        assert step.reduction_db.tolist() == [0, 3, 3, 3, 0, 0, 0]

    def test_a_negative_time_or_a_part_without_length_is_refused(self):
        for wrong in ({"attack_s": -1}, {"release_s": -1}, {"held_s": 0}, {"after_s": 0}):
            times = {"attack_s": 0.1, "release_s": 0.1, "held_s": 1.0, "after_s": 1.0} | wrong
            with pytest.raises(CurveError):
                step_response(steady_db=3, **times)
