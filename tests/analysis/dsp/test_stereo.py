"""Correlation of signals that algebra knows."""

import numpy as np
import pytest

from analysis.dsp.stereo import Correlation
from tests import tones

RATE_HZ = 48_000


def correlation(audio: tones.Audio, sizes: list[int] | None = None) -> float:
    meter = Correlation(n_channels=audio.shape[1])
    for block in tones.blocks(audio, sizes or [65_536]):
        meter.add(block)
    return meter.value()


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

    def test_mono_gives_one(self):
        assert correlation(tones.noise(-20.0, 1.0, rate_hz=RATE_HZ, n_channels=1)) == 1.0

    @pytest.mark.parametrize("silent", [[0], [1], [0, 1]])
    def test_a_silent_channel_has_none(self, silent):
        audio = tones.noise(-20.0, 0.1, rate_hz=RATE_HZ)
        audio[:, silent] = 0.0
        assert np.isnan(correlation(audio))

    def test_blocks_of_any_length_give_the_same(self):
        audio = tones.music_like(1.0, rate_hz=RATE_HZ)
        assert correlation(audio, [1, 999, 0]) == pytest.approx(correlation(audio), abs=1e-12)
