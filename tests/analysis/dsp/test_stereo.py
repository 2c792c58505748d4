"""Correlation and mono loss of signals that algebra knows."""

import numpy as np
import pytest

from analysis.dsp import stereo
from analysis.dsp.dynamics import Dynamics
from tests import tones

RATE_HZ = 48_000


def collected(audio: tones.Audio, sizes: list[int] | None = None) -> Dynamics:
    dynamics = Dynamics(rate_hz=RATE_HZ, n_channels=audio.shape[1])
    for block in tones.blocks(audio, sizes or [65_536]):
        dynamics.add(block)
    return dynamics


def correlation(audio: tones.Audio, sizes: list[int] | None = None) -> float:
    return float(stereo.correlation(collected(audio, sizes).products.total()))


def readings(audio: tones.Audio) -> np.ndarray:
    return stereo.correlation_readings(collected(audio).products.whole_steps(), rate_hz=RATE_HZ)


def mono_loss_db(audio: tones.Audio) -> float:
    return stereo.mono_loss_db(collected(audio).products.total())


class TestCorrelation:
    def test_the_same_sound_gives_plus_one_and_an_inverted_one_minus_one(self):
        audio = tones.noise(-20.0, 1.0, rate_hz=RATE_HZ, n_channels=1)
        assert correlation(np.hstack((audio, 0.3 * audio))) == pytest.approx(1.0, abs=1e-12)
        assert correlation(np.hstack((audio, -0.3 * audio))) == pytest.approx(-1.0, abs=1e-12)

    def test_a_quarter_period_apart_gives_zero_and_60_degrees_a_half(self):
        # Over whole periods, algebra: the correlation of two equal tones is the cosine of their angle.
        for degrees in (90.0, 60.0):
            left, right = (
                tones.sine(1_000.0, -6.0, 1.0, rate_hz=RATE_HZ, n_channels=1, phase_degrees=phase)
                for phase in (0.0, degrees)
            )
            expected = np.cos(np.radians(degrees))
            assert correlation(np.hstack((left, right))) == pytest.approx(expected, abs=1e-9)

    def test_a_mix_of_own_and_common_sound_gives_the_share_of_the_common(self):
        # By algebra: common and own parts of equal power give 1/2; random within about 1/sqrt(480,000).
        common = tones.noise(-20.0, 10.0, rate_hz=RATE_HZ, n_channels=1, seed=2)
        own = tones.noise(-20.0, 10.0, rate_hz=RATE_HZ)
        assert correlation(own + common) == pytest.approx(0.5, abs=0.01)

    @pytest.mark.parametrize("silent", [[0], [1], [0, 1]])
    def test_a_silent_channel_has_none(self, silent):
        audio = tones.noise(-20.0, 0.1, rate_hz=RATE_HZ)
        audio[:, silent] = 0.0
        assert np.isnan(correlation(audio))

    def test_blocks_of_any_length_give_the_same(self):
        audio = tones.music_like(1.0, rate_hz=RATE_HZ)
        assert correlation(audio, [1, 999, 0]) == pytest.approx(correlation(audio), abs=1e-12)


class TestCorrelationReadings:
    def test_they_follow_a_turn_of_polarity(self):
        audio = tones.sine(1_000.0, -12.0, 4.0, rate_hz=RATE_HZ)
        audio[2 * RATE_HZ :, 1] *= -1.0
        found = readings(audio)
        assert found.size == 37  # of 4 s: a reading each 0.1 s from 0.4 s on
        np.testing.assert_allclose(found[:17], 1.0)  # those that end by 2 s
        np.testing.assert_allclose(found[20:], -1.0)  # those that begin at 2 s
        # Algebra: three, two and one tenth of the same sound against one, two and three of the inverted one.
        np.testing.assert_allclose(found[17:20], [0.5, 0.0, -0.5], atol=1e-9)

    def test_pauses_have_none(self):
        audio = tones.sine(1_000.0, -12.0, 2.0, rate_hz=RATE_HZ)
        audio[RATE_HZ // 2 :] = tones.noise(-75.0, 1.5, rate_hz=RATE_HZ)
        found = readings(audio)
        assert np.isfinite(found[0])
        assert np.isnan(found[5:]).all()

    def test_too_little_has_none(self):
        assert readings(tones.noise(-20.0, 0.39, rate_hz=RATE_HZ)).size == 0


class TestMonoLoss:
    # By algebra, from correlation c of two channels of equal power: -10 log10((1 + c) / 2).
    def test_the_same_sound_loses_nothing_and_unrelated_ones_half_the_power(self):
        audio = tones.noise(-20.0, 10.0, rate_hz=RATE_HZ)
        assert mono_loss_db(audio[:, [0, 0]]) == pytest.approx(0.0, abs=1e-9)
        assert mono_loss_db(audio) == pytest.approx(3.01, abs=0.03)

    def test_an_inverted_channel_loses_all(self):
        audio = tones.noise(-20.0, 1.0, rate_hz=RATE_HZ)[:, [0, 0]] * [1.0, -1.0]
        assert mono_loss_db(audio) > 150.0

    def test_one_channel_alone_loses_half_and_silence_has_nothing_to_lose(self):
        # (l / 2) ** 2 in both channels against l ** 2 in one.
        assert mono_loss_db(tones.noise(-20.0, 1.0, rate_hz=RATE_HZ) * [1.0, 0.0]) == pytest.approx(3.0103)
        assert np.isnan(mono_loss_db(tones.silence(1.0, rate_hz=RATE_HZ)))

    def test_mono_loses_nothing(self):
        mono = collected(tones.noise(-20.0, 1.0, rate_hz=RATE_HZ, n_channels=1)).products.total()
        assert stereo.mono_loss_db(mono[[0, 0, 1]]) == pytest.approx(0.0, abs=1e-9)
