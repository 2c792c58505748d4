"""The noise by which a listener sets the level. Band: EBU Tech 3343, clause 8.2 (500 to 2000 Hz)."""

import numpy as np
import pytest
import soundfile

from analysis.dsp.meter import measure
from analysis.listening.noise import level_noise, write_level_noise
from analysis.listening.second_meter import read_lufs


def integrated_lufs(audio):
    return measure([audio], rate_hz=48_000, n_channels=2).integrated_lufs


@pytest.fixture(scope="module")
def noise():
    return level_noise(-18.0)


class TestLevelNoise:
    def test_it_is_at_its_level_once_and_in_a_loop(self, noise):
        assert integrated_lufs(noise) == pytest.approx(-18.0, abs=0.001)
        assert integrated_lufs(np.tile(noise, (3, 1))) == pytest.approx(-18.0, abs=0.02)

    @pytest.mark.parametrize("level_lufs", [-36.0, -23.0, -14.0])
    def test_it_is_at_other_levels_by_the_second_meter(self, tmp_path, level_lufs):
        write_level_noise(tmp_path / "noise.flac", level_lufs)
        assert read_lufs(tmp_path / "noise.flac") == pytest.approx(level_lufs, abs=0.1)

    def test_it_loops_without_a_seam(self, noise):
        # A loop is a Fourier series: a step at the seam would show as energy at every harmonic of the loop.
        power = np.abs(np.fft.rfft(noise, axis=0)) ** 2
        frequency_hz = np.fft.rfftfreq(len(noise), 1 / 48_000)
        outside = (frequency_hz < 499.9) | (frequency_hz > 2000.1)
        assert power[outside].sum() < 1e-20 * power.sum()

    def test_it_has_equal_power_in_both_octaves(self, noise):
        # Pink: equal power an octave. The slope within the band: value from memory.
        power = np.abs(np.fft.rfft(noise, axis=0)) ** 2
        frequency_hz = np.fft.rfftfreq(len(noise), 1 / 48_000)
        lower, upper = (
            power[(frequency_hz >= low_hz) & (frequency_hz < 2 * low_hz)].sum() for low_hz in (500, 1000)
        )
        assert 10 * np.log10(lower / upper) == pytest.approx(0.0, abs=0.05)

    def test_its_channels_are_unrelated_and_equally_strong(self, noise):
        # 1500 Hz for 10 s are about 30,000 independent values: five standard errors are 0.03.
        assert abs(np.corrcoef(noise.T)[0, 1]) < 0.03
        assert np.std(noise[:, 0]) == pytest.approx(np.std(noise[:, 1]), rel=0.01)

    def test_it_is_the_same_every_time(self, noise):
        assert np.array_equal(noise, level_noise(-18.0))

    def test_it_refuses_to_pass_full_scale(self):
        with pytest.raises(ValueError, match="full scale"):
            level_noise(-3.0)

    def test_the_file_holds_it_within_a_step(self, noise, tmp_path):
        write_level_noise(tmp_path / "noise.flac", -18.0)
        written, rate_hz = soundfile.read(tmp_path / "noise.flac")
        assert rate_hz == 48_000
        assert np.abs(written - noise).max() <= 2.0 * 2.0**-23
