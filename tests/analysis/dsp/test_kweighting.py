"""K-weighting against the standard's table and against a compiled filter."""

import numpy as np
import pytest
from scipy.signal import sosfilt

from analysis.dsp.errors import RateError, ShapeError
from analysis.dsp.kweighting import KWeighting, sections
from tests import tones

RATES_HZ = (8_000, 22_050, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000)


def gain_db(frequency_hz: np.ndarray, *, rate_hz: int) -> np.ndarray:
    shelf, high_pass = sections(rate_hz=rate_hz)
    gain = shelf.response(frequency_hz, rate_hz=rate_hz) * high_pass.response(frequency_hz, rate_hz=rate_hz)
    return 20.0 * np.log10(np.abs(gain))


class TestSections:
    def test_they_are_the_standards_tables_at_48_khz(self):
        # ITU-R BS.1770-5, Annex 1, tables 1 and 2.
        shelf, high_pass = sections(rate_hz=48_000)
        assert (shelf.b0, shelf.b1, shelf.b2) == (1.53512485958697, -2.69169618940638, 1.19839281085285)
        assert (shelf.a1, shelf.a2) == (-1.69065929318241, 0.73248077421585)
        assert (high_pass.b0, high_pass.b1, high_pass.b2) == (1.0, -2.0, 1.0)
        assert (high_pass.a1, high_pass.a2) == (-1.99004745483398, 0.99007225036621)

    def test_deriving_them_for_48_khz_gives_the_tables_back(self):
        for section in sections(rate_hz=48_000):
            again = section.at_rate(rate_hz=48_000)
            assert [again.b0, again.b1, again.b2, again.a1, again.a2] == pytest.approx(
                [section.b0, section.b1, section.b2, section.a1, section.a2], abs=1e-12
            )

    # BS.1770-5, Annex 1: other rates "should provide the same frequency response". It gives no tolerance; a
    # tenth of Tech 3341's 0.1 LU is ours, for the rates that music is delivered at.
    @pytest.mark.parametrize("rate_hz", [44_100, 88_200, 96_000, 176_400, 192_000])
    def test_other_rates_weight_as_48_khz_does(self, rate_hz):
        frequency_hz = np.geomspace(10.0, 20_000.0, 2_000)
        away = gain_db(frequency_hz, rate_hz=rate_hz) - gain_db(frequency_hz, rate_hz=48_000)
        assert np.abs(away).max() < 0.01

    @pytest.mark.parametrize("rate_hz", [0, -48_000, 4_000, 1_000_000])
    def test_they_refuse_a_rate_that_is_none(self, rate_hz):
        with pytest.raises(RateError, match="sampling rate"):
            sections(rate_hz=rate_hz)


def frame_by_frame(audio: tones.Audio, *, rate_hz: int, sizes: list[int] | None = None) -> np.ndarray:
    """The weighted energy of every single frame of the first channel."""
    weighting = KWeighting(rate_hz=rate_hz, n_channels=audio.shape[1])
    weights = np.eye(audio.shape[1])[0]
    parts = [
        weighting.energy(block, np.arange(block.shape[0] + 1), weights)
        for block in tones.blocks(audio, sizes or [audio.shape[0]])
    ]
    return np.concatenate(parts)


class TestKWeighting:
    @pytest.mark.parametrize("rate_hz", RATES_HZ)
    @pytest.mark.parametrize("n_channels", [1, 2, 3])
    def test_it_equals_the_recursion_run_sample_by_sample(self, rate_hz, n_channels):
        audio = tones.noise(-20.0, 0.5, rate_hz=rate_hz, n_channels=n_channels)
        rows = [[s.b0, s.b1, s.b2, 1.0, s.a1, s.a2] for s in sections(rate_hz=rate_hz)]
        expected = sosfilt(np.array(rows), audio[:, 0]) ** 2
        # Two orders of the same sums: what rounding leaves grows with the rate, for the poles near 1.
        np.testing.assert_allclose(frame_by_frame(audio, rate_hz=rate_hz), expected, rtol=0, atol=1e-9)

    def test_each_channel_counts_by_its_weight(self):
        # Algebra: five channels of one sound at weights that add up to 4 hold four times the energy of one.
        audio = tones.noise(-20.0, 0.1, rate_hz=48_000, n_channels=1)
        bounds = np.array([0, 100, 4_800])
        one = KWeighting(rate_hz=48_000, n_channels=1).energy(audio, bounds, np.ones(1))
        weights = np.array([1.0, 0.5, 0.0, 1.5, 1.0])
        five = KWeighting(rate_hz=48_000, n_channels=5).energy(np.tile(audio, (1, 5)), bounds, weights)
        np.testing.assert_allclose(five, 4.0 * one, rtol=1e-12)

    # Steps of one length are filtered side by side: as few as there are, more than fit at once, of an odd
    # number of frames, of hardly any; the block begins and ends in the middle of one.
    @pytest.mark.parametrize("n_channels", [1, 2, 5])
    @pytest.mark.parametrize(("n_frames", "n_steps"), [(480, 68), (441, 1), (441, 73), (9, 200), (8, 81)])
    def test_steps_of_one_length_hold_what_their_frames_hold(self, n_frames, n_steps, n_channels):
        bounds = np.array([0, *(5 + n_frames * np.arange(n_steps + 1)), 5 + n_frames * n_steps + 3])
        audio = tones.noise(-20.0, bounds[-1] / 48_000, rate_hz=48_000, n_channels=n_channels)
        audio[len(audio) // 2 :] *= 1e-4
        weighting = KWeighting(rate_hz=48_000, n_channels=n_channels)
        # Twice, so that the second block goes on from the state that the first one left.
        found = [weighting.energy(audio, bounds, np.eye(n_channels)[-1]) for _ in range(2)]
        rows = [[s.b0, s.b1, s.b2, 1.0, s.a1, s.a2] for s in sections(rate_hz=48_000)]
        frames = sosfilt(np.array(rows), np.tile(audio[:, -1], 2)) ** 2
        for block, turn in zip(found, np.split(frames, 2), strict=True):
            # Right after the fall to a ten-thousandth the other filter is off by some 1e-16 of what was loud.
            expected = np.add.reduceat(turn, bounds[:-1])
            np.testing.assert_allclose(block, expected, rtol=1e-9, atol=1e-15 * expected.max())

    @pytest.mark.parametrize("sizes", [[1], [31, 32, 33, 1, 0, 500], [65_536]])
    def test_blocks_of_any_length_give_the_same(self, sizes):
        audio = tones.noise(-20.0, 0.1, rate_hz=48_000, n_channels=3)
        whole = frame_by_frame(audio, rate_hz=48_000)
        np.testing.assert_allclose(frame_by_frame(audio, rate_hz=48_000, sizes=sizes), whole, atol=1e-11)

    def test_it_leaves_silence_silent_and_its_input_alone(self):
        assert not frame_by_frame(tones.silence(0.1, rate_hz=48_000), rate_hz=48_000).any()
        loud = tones.noise(-20.0, 0.1, rate_hz=48_000)
        before = loud.copy()
        frame_by_frame(loud, rate_hz=48_000)
        np.testing.assert_array_equal(loud, before)

    def test_it_rings_out_to_true_zero(self):
        # Numbers too small to be normal would make every later sample a hundred times slower.
        audio = tones.noise(-20.0, 2.0, rate_hz=48_000)
        audio[4_800:] = 0.0
        assert not frame_by_frame(audio, rate_hz=48_000, sizes=[16_384])[-4_800:].any()

    def test_it_refuses_another_number_of_channels(self):
        with pytest.raises(ShapeError, match="expected 2 channels, got 1"):
            KWeighting(rate_hz=48_000, n_channels=2).energy(np.zeros((10, 1)), np.array([0, 10]), np.ones(2))
