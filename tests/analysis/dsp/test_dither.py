"""Dither to 24 bit. Expected moments: R. A. Wannamaker et al., "A theory of nonsubtractive dither", 2000."""

import numpy as np
import pytest

from analysis.dsp.dither import STEP, to_24_bit
from analysis.dsp.errors import SampleError, ShapeError


def error_in_steps(audio, seed=1):
    return (to_24_bit(audio, np.random.default_rng(seed)) / 2.0**31 - audio) / STEP


class TestTo24Bit:
    # Where a sample lies between two steps must not show in the error: neither in its mean nor its power.
    @pytest.mark.parametrize("between", [0.0, 0.25, 0.5, 0.9])
    def test_mean_and_power_of_the_error_are_the_same_for_every_sample_value(self, between):
        n_samples = 400_000
        error = error_in_steps(np.full((n_samples, 1), (1000 + between) * STEP))
        # Variance 2/12 of two uniform draws and 1/12 of the rounding; bounds of five standard errors.
        assert abs(error.mean()) < 5 * 0.5 / np.sqrt(n_samples)
        assert error.var() == pytest.approx(3 / 12, abs=5 * 0.25 * np.sqrt(2 / n_samples))

    def test_the_error_stays_below_one_and_a_half_steps(self):
        audio = np.random.default_rng(2).uniform(-0.9, 0.9, (200_000, 2))
        assert np.abs(error_in_steps(audio)).max() <= 1.5

    def test_the_error_is_white_and_unrelated_between_channels(self):
        n_samples = 200_000
        error = error_in_steps(np.zeros((n_samples, 2)))
        five_standard_errors = 5 / np.sqrt(n_samples)
        for one, other in ((error[1:, 0], error[:-1, 0]), (error[:, 0], error[:, 1])):
            assert abs(np.corrcoef(one, other)[0, 1]) < five_standard_errors

    def test_samples_stand_at_the_top_of_the_word(self):
        samples = to_24_bit(np.zeros((1000, 1)), np.random.default_rng(1))
        assert samples.dtype == np.int32
        assert not np.any(samples & 0xFF)

    @pytest.mark.parametrize("n_channels", [1, 2, 3])
    def test_blocks_of_any_length_get_the_same_dither(self, n_channels):
        audio = np.random.default_rng(3).uniform(-0.5, 0.5, (1000, n_channels))
        random = np.random.default_rng(9)
        parts = [to_24_bit(part, random) for part in np.split(audio, [1, 17, 600])]
        assert np.array_equal(np.concatenate(parts), to_24_bit(audio, np.random.default_rng(9)))

    @pytest.mark.parametrize("gain", [1.0, 0.4321, -0.4321])
    @pytest.mark.parametrize("stored", [np.float64, np.float32, np.int32])
    def test_it_is_the_gained_sample_and_two_draws_rounded(self, stored, gain):
        # Written out here in numpy: two uniform draws of 16 bits make the triangle, half a step up.
        full_scale = np.iinfo(np.int32).max + 1 if stored is np.int32 else 1.0
        audio = np.random.default_rng(4).uniform(-0.9, 0.9, (40_000, 2))
        audio = (audio * full_scale).astype(stored)
        draws = np.random.default_rng(5).bit_generator.random_raw(len(audio)).view(np.int16).reshape(-1, 2)
        triangle = (draws.sum(axis=1, dtype=np.int64) + 1).reshape(audio.shape) * 2.0**-16
        exact = audio.astype(np.float64) / full_scale * gain
        wanted = np.rint(exact * 2.0**23 + triangle).astype(np.int32) << 8
        assert np.array_equal(to_24_bit(audio, np.random.default_rng(5), gain=gain), wanted)

    def test_full_scale_itself_is_kept_within_one_step(self):
        assert np.abs(error_in_steps(np.array([[1.0, -1.0]] * 1000))).max() <= 2.0

    @pytest.mark.parametrize("sample", [1.0001, -1.0001, np.nan, np.inf])
    def test_it_refuses_to_clip_and_what_is_not_a_number(self, sample):
        with pytest.raises(SampleError):
            to_24_bit(np.array([[0.0], [sample]]), np.random.default_rng(1))

    def test_what_is_at_the_very_bottom_can_be_turned(self):
        lowest = np.full((1000, 2), np.iinfo(np.int32).min, np.int32)
        turned = to_24_bit(lowest, np.random.default_rng(1), gain=-1.0)
        assert turned.max() == (2**23 - 1) << 8
        assert turned.min() >= (2**23 - 2) << 8

    @pytest.mark.parametrize("stored", [np.float64, np.float32, np.int32])
    def test_it_refuses_what_the_gain_takes_over_full_scale(self, stored):
        half = np.full((100_000, 2), 2**30 if stored is np.int32 else 0.5, stored)
        to_24_bit(half, np.random.default_rng(1), gain=2.0)
        half[-1] = half[-1] * 1.001
        with pytest.raises(SampleError):
            to_24_bit(half, np.random.default_rng(1), gain=2.0)

    def test_it_refuses_another_shape(self):
        with pytest.raises(ShapeError):
            to_24_bit(np.zeros(10), np.random.default_rng(1))
