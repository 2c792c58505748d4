"""Sample levels of signals that algebra knows."""

import numpy as np
import pytest

from analysis.dsp.dynamics import Dynamics
from analysis.dsp.errors import SampleError, ShapeError
from tests import tones

RATE_HZ = 48_000


def measured(audio: tones.Audio, sizes: list[int] | None = None) -> Dynamics:
    dynamics = Dynamics(rate_hz=RATE_HZ, n_channels=audio.shape[1])
    for block in tones.blocks(audio, sizes or [65_536]):
        dynamics.add(block)
    return dynamics


def one_channel(*values: float) -> tones.Audio:
    return np.array(values)[:, np.newaxis]


class TestLevels:
    def test_a_sine_crests_3_01_db_over_its_rms(self):
        found = measured(tones.sine(1_000.0, -6.0, 1.0, rate_hz=RATE_HZ))
        assert found.sample_peak == pytest.approx(tones.linear(-6.0))
        assert found.crest_db == pytest.approx(10 * np.log10(2.0))
        assert found.dc_offset == pytest.approx(0.0, abs=1e-12)

    def test_a_square_has_no_crest(self):
        assert (
            measured(np.sign(tones.sine(100.0, 0.0, 1.0, rate_hz=RATE_HZ, phase_degrees=1.0))).crest_db == 0.0
        )

    def test_the_offset_is_that_of_the_worse_channel_with_its_sign(self):
        audio = tones.sine(1_000.0, -6.0, 1.0, rate_hz=RATE_HZ) + np.array([0.01, -0.02])
        assert measured(audio).dc_offset == pytest.approx(-0.02)

    def test_silence_has_no_crest(self):
        found = measured(tones.silence(1.0, rate_hz=RATE_HZ))
        assert found.sample_peak == 0.0
        assert np.isnan(found.crest_db)
        assert found.dc_offset == 0.0

    def test_without_frames_nothing_is_defined(self):
        found = Dynamics(rate_hz=RATE_HZ, n_channels=2)
        assert np.isnan([found.mean_square, found.crest_db, found.dc_offset]).all()

    @pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e300])
    def test_it_refuses_what_is_not_a_sample(self, value):
        with pytest.raises(SampleError, match="not finite"):
            measured(one_channel(0.0, value, 0.0))

    def test_it_refuses_another_number_of_channels(self):
        with pytest.raises(ShapeError):
            Dynamics(rate_hz=RATE_HZ, n_channels=2).add(np.zeros((5, 3)))


class TestClippedRuns:
    @pytest.mark.parametrize("sizes", [[65_536], [1], [2, 3, 0, 7]])
    def test_a_clipped_sine_has_two_runs_a_period_in_each_channel(self, sizes):
        audio = tones.clipped_sine(6.0, 0.1, rate_hz=RATE_HZ)  # 100 Hz: ten periods
        assert measured(audio, sizes).clipped_runs == 40

    @pytest.mark.parametrize("sizes", [[65_536], [1]])
    @pytest.mark.parametrize(
        ("values", "runs"),
        [
            ((1.0, 1.0), 0),
            ((1.0, 1.0, 1.0), 1),
            ((1.0,) * 50, 1),
            ((1.0, 1.0, 1.0, 0.9, 1.0, 1.0, 1.0), 2),
            ((1.0, 1.0, -1.0, -1.0, 1.0, 1.0), 0),
            ((1.0, 1.0, 1.0, -1.0, -1.0, -1.0), 2),
            ((0.99,) * 50, 0),  # limited below full scale, not clipped
            ((1.2, 1.3, 1.1), 1),  # beyond full scale: a converter clips it
            ((32_767 / 32_768,) * 3, 1),  # positive full scale of 16 bit
            ((0.0, 0.0, 0.0), 0),
        ],
    )
    def test_a_run_is_three_equal_samples_at_full_scale(self, values, runs, sizes):
        assert measured(one_channel(*values), sizes).clipped_runs == runs

    def test_a_full_scale_tone_is_not_clipped(self):
        assert measured(tones.sine(997.0, 0.0, 1.0, rate_hz=RATE_HZ)).clipped_runs == 0


class TestSilenceAtTheEnds:
    @pytest.mark.parametrize("sizes", [[65_536], [1], [100, 0, 7]])
    def test_it_is_counted_in_frames(self, sizes):
        audio = np.zeros((1_000, 2))
        audio[300:600, 1] = 0.5
        audio[450:500, 1] = 0.0  # a gap inside is no end
        found = measured(audio, sizes)
        assert (found.leading_silence_frames, found.trailing_silence_frames) == (300, 400)

    def test_sound_below_minus_60_dbfs_counts_as_silence(self):
        found = measured(one_channel(tones.linear(-61.0), tones.linear(-59.0), -tones.linear(-61.0)))
        assert (found.leading_silence_frames, found.trailing_silence_frames) == (1, 1)

    def test_all_of_a_silence_is_both(self):
        found = measured(np.zeros((100, 2)))
        assert (found.leading_silence_frames, found.trailing_silence_frames) == (100, 100)


class TestNoiseFloor:
    def test_it_is_the_level_of_the_quietest_400_ms(self):
        # Algebra: noise of an RMS of -63.01 dB re 1 lies at -60 dBFS, re a sine's RMS.
        audio = tones.noise(-60.0 - 10.0 * np.log10(2.0), 3.0, rate_hz=RATE_HZ)
        audio[:RATE_HZ] += tones.sine(100.0, -6.0, 1.0, rate_hz=RATE_HZ)
        # The quietest of 200 windows of 38,400 samples: within a few standard errors, 0.03 dB each.
        assert measured(audio).noise_floor_dbfs == pytest.approx(-60.0, abs=0.15)

    def test_a_steady_sine_reads_its_own_level(self):
        audio = tones.sine(1_000.0, -20.0, 1.0, rate_hz=RATE_HZ)
        assert measured(audio).noise_floor_dbfs == pytest.approx(-20.0, abs=1e-6)

    def test_digital_silence_does_not_count(self):
        audio = tones.sine(1_000.0, -20.0, 2.0, rate_hz=RATE_HZ)
        audio[RATE_HZ // 2 : RATE_HZ] = 0.0
        assert measured(audio).noise_floor_dbfs == pytest.approx(-20.0, abs=1e-6)

    @pytest.mark.parametrize("duration_s", [0.1, 2.0])
    def test_silence_and_too_little_have_none(self, duration_s):
        assert np.isnan(measured(tones.silence(duration_s, rate_hz=RATE_HZ)).noise_floor_dbfs)
        assert np.isnan(measured(tones.noise(-20.0, 0.399, rate_hz=RATE_HZ)).noise_floor_dbfs)
