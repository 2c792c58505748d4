"""Loudness against EBU Tech 3341 and Tech 3342, and against algebra.

The cases are rebuilt from the documents' tables of test signals (values from memory, checked against public
transcriptions); those that are recordings (3341: 7 and 8; 3342: 5 and 6) cannot be.
"""

from itertools import pairwise

import numpy as np
import pytest
from scipy.signal import sosfilt

from analysis.dsp import loudness
from analysis.dsp.errors import ShapeError
from analysis.dsp.kweighting import sections
from analysis.dsp.meter import Measures, measure
from tests import tones

RATES_HZ = (44_100, 48_000, 88_200, 96_000)
TOLERANCE_LU = 0.1  # Tech 3341, table 1
RANGE_TOLERANCE_LU = 1.0  # Tech 3342, table 1


def measured(audio: tones.Audio, *, rate_hz: int) -> Measures:
    blocks = tones.blocks(audio, [65_536])
    return measure(blocks, rate_hz=rate_hz, n_channels=audio.shape[1])


@pytest.mark.parametrize("rate_hz", RATES_HZ)
class TestTech3341:
    @pytest.mark.parametrize(
        ("case", "parts", "integrated_lufs"),
        [
            (1, [(-23.0, 20.0)], -23.0),
            (2, [(-33.0, 20.0)], -33.0),
            (3, [(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)], -23.0),
            (4, [(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)], -23.0),
            (5, [(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)], -23.0),
        ],
    )
    def test_integrated_loudness_is_gated(self, case, parts, integrated_lufs, rate_hz):
        found = measured(tones.steps(parts, rate_hz=rate_hz), rate_hz=rate_hz)
        assert found.integrated_lufs == pytest.approx(integrated_lufs, abs=TOLERANCE_LU)
        if case <= 2:  # momentary and short-term loudness of the steady tones, too
            assert found.max_momentary_lufs == pytest.approx(integrated_lufs, abs=TOLERANCE_LU)
            assert found.max_short_term_lufs == pytest.approx(integrated_lufs, abs=TOLERANCE_LU)

    @pytest.mark.parametrize("with_lfe", [False, True])
    def test_case_6_weighs_the_surround_channels(self, with_lfe, rate_hz):
        levels_dbfs = [-28.0, -28.0, -24.0, -30.0, -30.0]
        channels = [tones.sine(1_000.0, level, 20.0, rate_hz=rate_hz, n_channels=1) for level in levels_dbfs]
        if with_lfe:  # it must not count, however loud
            channels.insert(3, tones.sine(60.0, -3.0, 20.0, rate_hz=rate_hz, n_channels=1))
        found = measured(np.concatenate(channels, axis=1), rate_hz=rate_hz)
        assert found.integrated_lufs == pytest.approx(-23.0, abs=TOLERANCE_LU)

    def test_case_9_reads_a_constant_short_term(self, rate_hz):
        audio = tones.steps([(-20.0, 1.34), (-30.0, 1.66)] * 5, rate_hz=rate_hz)
        short_term_lufs = measured(audio, rate_hz=rate_hz).short_term_lufs
        assert short_term_lufs.size == 121  # 15 s: a reading each 0.1 s from 3 s on
        np.testing.assert_allclose(short_term_lufs, -23.0, rtol=0, atol=TOLERANCE_LU)

    @pytest.mark.parametrize("turn", range(20))
    def test_case_10_finds_the_highest_short_term_wherever_it_starts(self, turn, rate_hz):
        parts = [(-np.inf, turn * 0.15), (-23.0, 3.0), (-np.inf, 1.0)]
        found = measured(tones.steps(parts, rate_hz=rate_hz), rate_hz=rate_hz)
        assert found.max_short_term_lufs == pytest.approx(-23.0, abs=TOLERANCE_LU)

    def test_case_12_reads_a_constant_momentary(self, rate_hz):
        audio = tones.steps([(-20.0, 0.18), (-30.0, 0.22)] * 25, rate_hz=rate_hz)
        momentary_lufs = measured(audio, rate_hz=rate_hz).momentary_lufs
        assert momentary_lufs.size == 97  # 10 s: a reading each 0.1 s from 0.4 s on
        np.testing.assert_allclose(momentary_lufs, -23.0, rtol=0, atol=TOLERANCE_LU)

    @pytest.mark.parametrize("turn", range(20))
    def test_case_13_finds_the_highest_momentary_wherever_it_starts(self, turn, rate_hz):
        parts = [(-np.inf, turn * 0.02), (-23.0, 0.4), (-np.inf, 1.0)]
        found = measured(tones.steps(parts, rate_hz=rate_hz), rate_hz=rate_hz)
        assert found.max_momentary_lufs == pytest.approx(-23.0, abs=TOLERANCE_LU)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
class TestTech3342:
    @pytest.mark.parametrize(
        ("levels_dbfs", "range_lu"),
        [
            ([-20.0, -30.0], 10.0),  # case 1
            ([-20.0, -15.0], 5.0),  # case 2
            ([-40.0, -20.0], 20.0),  # case 3
            ([-50.0, -35.0, -20.0, -35.0, -50.0], 15.0),  # case 4
        ],
    )
    def test_range_of_steps(self, levels_dbfs, range_lu, rate_hz):
        audio = tones.steps([(level, 20.0) for level in levels_dbfs], rate_hz=rate_hz)
        found = measured(audio, rate_hz=rate_hz)
        assert found.loudness_range_lu == pytest.approx(range_lu, abs=RANGE_TOLERANCE_LU)


class TestAlignment:
    # BS.1770-5, Annex 1: 997 Hz at 0 dBFS in one of the front channels reads -3.01 LKFS.
    @pytest.mark.parametrize("rate_hz", [44_100, 48_000, 88_200, 96_000, 176_400, 192_000])
    @pytest.mark.parametrize("channel", [0, 1])
    def test_a_full_scale_tone_in_one_channel_reads_minus_3_01(self, rate_hz, channel):
        audio = tones.sine(997.0, 0.0, 5.0, rate_hz=rate_hz)
        audio[:, 1 - channel] = 0.0
        assert measured(audio, rate_hz=rate_hz).integrated_lufs == pytest.approx(-3.01, abs=0.01)

    def test_mono_reads_as_one_channel_and_stereo_as_two(self):
        mono, stereo = (
            measured(tones.sine(997.0, -20.0, 5.0, rate_hz=48_000, n_channels=n), rate_hz=48_000)
            for n in (1, 2)
        )
        # Twice the power: 10 log10(2), by algebra.
        assert stereo.integrated_lufs - mono.integrated_lufs == pytest.approx(10.0 * np.log10(2.0), abs=1e-9)


class TestGatedLoudness:
    def test_both_averages_are_of_power(self):
        # Algebra on equations 2 and 5 to 7: halves at power 1 and 0.5 pass both gates and average 0.75.
        assert loudness.gated_loudness(np.array([1.0, 0.5])) == pytest.approx(-0.691 + 10 * np.log10(0.75))

    def test_the_relative_gate_drops_what_is_10_lu_below(self):
        # Mean of 1, 1, 0.001 is 0.667: the gate lies at 0.0667 and drops the third block.
        assert loudness.gated_loudness(np.array([1.0, 1.0, 0.001])) == pytest.approx(-0.691)

    def test_the_absolute_gate_drops_what_is_below_minus_70(self):
        just_below, just_above = loudness.from_lufs(np.array([-70.01, -69.99]))
        assert loudness.gated_loudness(np.array([just_below])) == -np.inf
        assert loudness.gated_loudness(np.array([just_above])) == pytest.approx(-69.99)

    def test_silence_is_an_answer_and_nothing_is_undefined(self):
        assert loudness.gated_loudness(np.zeros(5)) == -np.inf
        assert np.isnan(loudness.gated_loudness(np.zeros(0)))

    def test_it_refuses_a_table(self):
        with pytest.raises(ShapeError, match="block powers"):
            loudness.gated_loudness(np.zeros((2, 2)))


class TestLoudnessRange:
    def test_it_takes_the_nearest_percentile(self):
        # Tech 3342, program listing: of 11 readings 1 LU apart the 10th percentile is the 2nd, and the 95th
        # is at round(9.5) + 1 of 11, which is the 11th.
        assert loudness.loudness_range(np.arange(-30.0, -19.0)) == pytest.approx(9.0)
        # Of 6 the listing's round(0.5) + 1 and round(4.75) + 1 are the 2nd and the 6th: halves go up.
        assert loudness.loudness_range(np.arange(-30.0, -24.0)) == pytest.approx(4.0)

    def test_it_is_undefined_for_silence_and_for_nothing(self):
        assert np.isnan(loudness.loudness_range(np.full(20, -np.inf)))
        assert np.isnan(loudness.loudness_range(np.zeros(0)))

    def test_it_refuses_a_table(self):
        with pytest.raises(ShapeError, match="short-term"):
            loudness.loudness_range(np.zeros((2, 2)))


class TestStepEnergy:
    @pytest.mark.parametrize("rate_hz", [8_000, 11_025, 22_050, 44_100, 48_000])
    @pytest.mark.parametrize("sizes", [[1_000_000], [441], [7, 1, 480, 0, 99]])
    def test_steps_hold_all_the_energy_at_any_rate_and_block(self, rate_hz, sizes):
        audio = tones.noise(-20.0, 1.237, rate_hz=rate_hz)
        steps = loudness.StepEnergy(rate_hz=rate_hz, n_channels=2)
        for block in tones.blocks(audio, sizes):
            steps.add(block)
        # The filter itself is compared with another one in test_kweighting.
        rows = [[s.b0, s.b1, s.b2, 1.0, s.a1, s.a2] for s in sections(rate_hz=rate_hz)]
        weighted = sosfilt(np.array(rows), audio, axis=0)
        starts = [step * rate_hz // 100 for step in range(124)]
        expected = [np.sum(weighted[a:b] ** 2) for a, b in pairwise(starts)]
        np.testing.assert_allclose(steps.energy(), expected, rtol=1e-9)

    def test_it_refuses_channels_whose_order_is_unknown(self):
        with pytest.raises(ShapeError, match="mono, stereo"):
            loudness.StepEnergy(rate_hz=48_000, n_channels=4)


class TestWindowPower:
    def test_silence_after_something_loud_is_zero_and_not_dust(self):
        energy = np.concatenate((np.full(400, 1e6), np.zeros(400)))
        power = loudness.window_power(energy, n_steps=40, rate_hz=48_000)
        assert power.size == 761
        assert power[0] == pytest.approx(1e6 / 480)
        assert not power[400:].any()

    def test_less_than_one_window_gives_none(self):
        assert loudness.window_power(np.ones(39), n_steps=40, rate_hz=48_000).size == 0
