"""Bands tied to each other: against plain least squares where they hold enough to need no tie."""

import numpy as np
import pytest

from analysis.dsp.smoothfit import SmoothSystem, expected_size, noise_of

N_BANDS, N_CHANNELS, N_VALUES = 12, 3, 20_000


def spectra(rng, shape):
    return (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)) / np.sqrt(2.0)


@pytest.fixture
def channels():
    return spectra(np.random.default_rng(1), (N_BANDS, N_VALUES, N_CHANNELS))


def sums(channels, output):
    conjugate = channels.conj().transpose(0, 2, 1)
    return conjugate @ channels, conjugate @ output


class TestSmoothSystem:
    def test_without_noise_it_is_plain_least_squares(self, channels):
        # numpy.linalg.lstsq, an independent solver, on responses that jump from band to band.
        responses = spectra(np.random.default_rng(2), (N_BANDS, N_CHANNELS, 2))
        normal, right = sums(channels, channels @ responses)
        system = SmoothSystem(normal, np.full(N_BANDS, 1e-6), np.ones(N_CHANNELS))
        for band, found in enumerate(system.solve(right)):
            expected = np.linalg.lstsq(channels[band], channels[band] @ responses[band], rcond=None)[0]
            np.testing.assert_allclose(found, expected, atol=1e-3)

    def test_the_stated_variance_is_that_of_an_independent_solver(self, channels):
        # By algebra: for so much data the prior is nothing and the variance of Re(2 g* h) is 2 g* N^-1 g.
        normal, _ = sums(channels, channels)
        noise = np.full(N_BANDS, 1e-4)
        slope = np.zeros((N_BANDS, N_CHANNELS), complex)
        slope[4, 1] = 1.0
        found = SmoothSystem(normal, noise, np.ones(N_CHANNELS)).variance(slope)
        expected = 2.0 * 64.0 * noise[4] * np.linalg.inv(normal[4])[1, 1].real
        assert found == pytest.approx(expected, rel=0.02)

    def test_of_two_channels_that_are_one_only_the_sum_is_sure(self, channels):
        # By algebra: nothing in the equations tells the two apart, whatever the noise.
        doubled = np.concatenate([channels, channels[:, :, :1]], axis=2)
        normal, _ = sums(doubled, doubled[:, :, :1])
        system = SmoothSystem(normal, np.full(N_BANDS, 1e-9), np.ones(N_CHANNELS + 1))
        slopes = np.zeros((N_BANDS, N_CHANNELS + 1, 2), complex)
        slopes[4, 0, 0] = 1.0
        slopes[4, [0, 3], 1] = 1.0
        of_one, of_sum = np.sqrt(np.diag(system.covariance(slopes)))
        assert of_one > 0.3
        assert of_sum < 0.01

    def test_where_nothing_is_heard_it_gives_nothing(self):
        nothing = np.zeros((N_BANDS, N_CHANNELS, N_CHANNELS), complex)
        system = SmoothSystem(nothing, np.zeros(N_BANDS), np.ones(N_CHANNELS))
        assert not system.solve(nothing).any()

    def test_one_band_alone(self, channels):
        normal, right = sums(channels[:1], channels[:1, :, :1])
        found = SmoothSystem(normal, np.array([1e-6]), np.ones(N_CHANNELS)).solve(right)
        np.testing.assert_allclose(found[0, :, 0], [1.0, 0.0, 0.0], atol=1e-3)


class TestSizeAndNoise:
    def test_the_size_is_the_response_where_it_is_the_same_everywhere(self):
        responses = np.tile(np.array([2.0, 2.0])[:, None], (N_BANDS, 1, 1)).astype(complex)
        found = expected_size(responses, np.ones((N_BANDS, 2)))
        np.testing.assert_allclose(found, 2.0, rtol=1e-3)

    def test_silence_has_the_size_one_and_no_noise(self):
        assert expected_size(np.zeros((4, 2, 1), complex), np.zeros((4, 2))).tolist() == [1.0, 1.0]
        assert not noise_of(np.zeros(4), np.zeros(4), np.full(4, 10.0)).any()

    def test_the_noise_is_power_a_value_and_never_nought_under_sound(self):
        found = noise_of(np.array([8.0, 0.0]), np.array([8.0, 8.0]), np.array([4.0, 4.0]))
        assert found[0] == pytest.approx(2.0)
        assert 0.0 < found[1] < 1e-5
